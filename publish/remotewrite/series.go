package remotewrite

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"holdbell/sensor"
)

// stale is the bit pattern by which Prometheus knows that a series has ended (Prometheus Remote-Write 1.0
// specification, "Stale markers").
const stale = 0x7ff0000000000002

func staleMarker() float64 { return math.Float64frombits(stale) }

// label is one name and value of a series.
type label struct{ name, value string }

// series is a set of labels, sorted by name, none of them empty: receivers want both.
type series struct{ labels []label }

// sample is one value of a series at a time, milliseconds since 1970.
type sample struct {
	series *series
	at     int64
	value  float64
}

// newSeries sorts the labels and leaves out empty ones, which Prometheus takes as absent.
func newSeries(labels ...label) *series {
	labels = slices.DeleteFunc(labels, func(l label) bool { return l.value == "" })
	slices.SortFunc(labels, func(a, b label) int { return cmp.Compare(a.name, b.name) })
	return &series{labels}
}

// key tells series apart.
func (s *series) key() string {
	var b strings.Builder
	for _, l := range s.labels {
		b.WriteString(l.name)
		b.WriteByte(0)
		b.WriteString(l.value)
		b.WriteByte(0)
	}
	return b.String()
}

// The families that go out with every sweep; /metrics has them, too.
const (
	Temperature = "holdbell_probe_temperature_celsius"
	Up          = "holdbell_probe_up"
)

// Series names the probe's two series at a site as OpenMetrics text does.
func (p *Probe) Series(site string) (temperature, up string) {
	t, u := p.series(site)
	return t.text(), u.text()
}

func (p *Probe) series(site string) (temperature, up *series) {
	name := label{"probe", p.Name}
	return newSeries(append(outside(site), label{nameLabel, Temperature}, name, label{"station", p.Station}, label{"role", p.Role})...),
		newSeries(append(outside(site), label{nameLabel, Up}, name)...)
}

// nameLabel is the label that holds a family's name. It sorts before all of ours.
const nameLabel = "__name__"

// text writes a series as OpenMetrics does: backslash, quote and line end are escaped.
func (s *series) text() string {
	escape := strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)
	var b strings.Builder
	b.WriteString(s.labels[0].value + "{")
	for i, l := range s.labels[1:] {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(l.name + `="` + escape.Replace(l.value) + `"`)
	}
	return b.String() + "}"
}

// outside are the labels that a Prometheus which scrapes would add, and the site's.
func outside(site string) []label {
	return []label{{"job", "holdbell"}, {"instance", site}, {"site", site}}
}

// probe is a configured probe with its two series.
type probe struct {
	temperature, up *series
	corrected       func(sensor.Reading) sensor.Reading
}

// rows turns sweeps, in their order, into samples.
type rows struct {
	probes map[string]*probe
	layout []string
	at     []*probe // of the layout; nil for one that the configuration does not have
	was    []was    // the sweep before
}

// was is how a probe read in the sweep before.
type was uint8

const (
	unseen was = iota
	valid
	faulty
)

// see follows a sweep that is not to be sent, so that the end of a series is known.
func (r *rows) see(probes []string, s *sensor.Sweep) { r.each(probes, s, nil) }

// samples appends those of a sweep. A probe that has failed gives one stale marker, and then nothing but holdbell_probe_up.
// gone counts the readings of probes that the configuration does not have.
func (r *rows) samples(dst []sample, probes []string, s *sensor.Sweep) (all []sample, gone uint64) {
	gone = r.each(probes, s, func(smp sample) { dst = append(dst, smp) })
	return dst, gone
}

func (r *rows) each(probes []string, s *sensor.Sweep, give func(sample)) (gone uint64) {
	if !slices.Equal(r.layout, probes) {
		r.layout, r.at, r.was = probes, r.at[:0], make([]was, len(probes))
		for _, name := range probes {
			r.at = append(r.at, r.probes[name])
		}
	}
	at := s.At.Wall.UnixMilli()
	for i, p := range r.at {
		if p == nil {
			gone++
			continue
		}
		before := r.was[i]
		reading := p.corrected(s.Readings[i])
		r.was[i] = faulty
		if reading.Valid() {
			r.was[i] = valid
		}
		switch {
		case give == nil:
		case reading.Valid():
			give(sample{p.temperature, at, reading.Temp.Celsius()})
			give(sample{p.up, at, 1})
		default:
			if before != faulty {
				give(sample{p.temperature, at, staleMarker()})
			}
			give(sample{p.up, at, 0})
		}
	}
	return gone
}

// end appends a stale marker for every series that goes on.
func (r *rows) end(dst []sample, at int64) []sample {
	for i, p := range r.at {
		switch {
		case p == nil || r.was[i] == unseen:
			continue
		case r.was[i] == valid:
			dst = append(dst, sample{p.temperature, at, staleMarker()})
		}
		dst = append(dst, sample{p.up, at, staleMarker()})
	}
	return dst
}
