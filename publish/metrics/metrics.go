// Package metrics exposes the state to Prometheus. The collector emits constants from the latest state at
// scrape time, so a probe that failed or a lot that ended is absent, not frozen; a scrape touches no bus.
package metrics

import (
	"context"
	"net/http"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	dto "github.com/prometheus/client_model/go"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options is what the metrics need to know.
type Options struct {
	Version, Commit string
	// Pending tells how many events each publisher has yet to deliver; it is asked at scrape time.
	Pending func() map[string]uint64
	// Heartbeat tells when the outside monitor last took a heartbeat; zero never. nil: there is none.
	Heartbeat func() sensor.Instant
	// RemoteWrite tells how remote write does; nil without one. It is asked at scrape time. May be nil.
	RemoteWrite func() *RemoteWrite
	// Config tells the configuration in force; nil or without a hash: none is exposed.
	Config func() publish.Config
	// Record tells what the record takes; it is asked at scrape time.
	Record func() Record
	// MQTT tells how the way to the broker stands; it is asked at scrape time. nil, or one that gives nil: there is none.
	MQTT func() *MQTT
}

// MQTT is how the way to the broker stands.
type MQTT struct {
	Connected bool
	Troubles  map[string]bool // all that can be, and whether it is
	// When the board's own certificate and the broker's end; zero where there is none.
	BoardEnds, BrokerEnds time.Time
}

// RemoteWrite is how remote write does. Results counts samples since the start.
type RemoteWrite struct {
	Results     map[string]uint64
	Backlog     time.Duration // age of the oldest sweep that was not sent
	LastSuccess sensor.Instant
	Apart       *time.Duration // the board's clock less the receiver's; nil while that is not known
	Failing     bool
}

// Record is what the record takes. A figure that is not known yet is zero, and absent.
type Record struct {
	Bytes, Free  int64
	ThinnedUntil time.Time
	Dropped      uint64 // sweeps that could not be kept
}

// Metrics is a Publisher that is read rather than written to.
type Metrics struct {
	state    atomic.Pointer[rules.State]
	registry *prometheus.Registry
	sweeps   prometheus.Histogram
	o        Options

	mu     sync.Mutex
	marked map[string]sensor.Instant // the newest mark of a station; "" for those of none
}

// New builds the metrics on a registry of their own.
func New(o Options) *Metrics {
	m := &Metrics{o: o, registry: prometheus.NewRegistry(), marked: map[string]sensor.Instant{}}
	m.sweeps = prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "holdbell_sweep_duration_seconds", Help: "Time from a sweep's readings to its events and state, one observation a sweep.",
		Buckets: []float64{0.0001, 0.0005, 0.001, 0.005, 0.01, 0.05, 0.1, 0.5, 1},
	})
	build := prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "holdbell_build_info", Help: "Always 1; the labels name the build.",
		ConstLabels: prometheus.Labels{"version": o.Version, "commit": o.Commit, "goversion": runtime.Version()},
	}, func() float64 { return 1 })
	m.registry.MustRegister(m.sweeps, build, collector{m},
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		collectors.NewGoCollector(collectors.WithGoCollectorRuntimeMetrics()))
	return m
}

// Name implements publish.Publisher.
func (m *Metrics) Name() string { return "metrics" }

// Deliver implements publish.Publisher: it keeps when a mark was last made at each station, for a dashboard
// to point at. The State counts the events.
func (m *Metrics) Deliver(_ context.Context, _ string, ev rules.Event) error {
	if ev.Kind == rules.MarkTaken && ev.At.Believed {
		m.mu.Lock()
		m.marked[ev.Station] = ev.At
		m.mu.Unlock()
	}
	return nil
}

// Show implements publish.Publisher.
func (m *Metrics) Show(st *rules.State) { m.state.Store(st) }

// ObserveSweep notes how long one sweep took. It is called once a sweep: rules on the rate of this
// histogram tell a watch that stands still.
func (m *Metrics) ObserveSweep(d time.Duration) { m.sweeps.Observe(d.Seconds()) }

// Handler serves /metrics, two requests at once at most.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 2, ErrorHandling: promhttp.HTTPErrorOnError})
}

// Gather gives every family that Handler shows.
func (m *Metrics) Gather() ([]*dto.MetricFamily, error) { return m.registry.Gather() }

// desc describes one family of ours; building it anew costs little beside a scrape.
func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("holdbell_"+name, help, labels, nil)
}

type collector struct{ m *Metrics }

// Describe sends nothing: the set of series follows the configuration and the day.
func (c collector) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (c collector) Collect(ch chan<- prometheus.Metric) {
	if c.m.o.Pending != nil {
		d := desc("deliveries_pending", "Events that a publisher has yet to deliver.", "publisher")
		for name, n := range c.m.o.Pending() {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(n), name)
		}
	}
	if c.m.o.Heartbeat != nil {
		if at := c.m.o.Heartbeat(); at.Believed {
			ch <- prometheus.MustNewConstMetric(desc("heartbeat_last_success_timestamp_seconds",
				"When the outside monitor last took a heartbeat that said all is well; absent without one, and while the wall clock is not believed."),
				prometheus.GaugeValue, float64(at.Wall.UnixMilli())/1000)
		}
	}
	if c.m.o.RemoteWrite != nil {
		if r := c.m.o.RemoteWrite(); r != nil {
			collectRemoteWrite(ch, r)
		}
	}
	if c.m.o.Config != nil {
		collectConfig(ch, c.m.o.Config())
	}
	if c.m.o.Record != nil {
		collectRecord(ch, c.m.o.Record())
	}
	if c.m.o.MQTT != nil {
		if m := c.m.o.MQTT(); m != nil {
			collectMQTT(ch, m)
		}
	}
	st := c.m.state.Load()
	if st == nil {
		return
	}
	ch <- prometheus.MustNewConstMetric(desc("events_total", "Events decided since the ledger began."), prometheus.CounterValue, float64(st.Seq))
	if st.Supply != "" {
		v := 0.0
		if st.Supply == rules.SupplyIsLow {
			v = 1
		}
		ch <- prometheus.MustNewConstMetric(desc("supply_undervoltage", "1 while the board's own supply is low, by its kernel; absent where that does not say."), prometheus.GaugeValue, v)
	}
	c.m.collectMarks(ch, st)
	collectProbes(ch, st)
	collectLots(ch, st)
	collectAlarms(ch, st)
	collectStations(ch, st)
	ahead := desc("limit_ahead_seconds", "How soon the first lot of a station will fall to the hot limit, as forecast; absent when nothing falls or nobody knows.", "station")
	for i := range st.Stations {
		if s := &st.Stations[i]; s.LimitAhead != nil {
			ch <- prometheus.MustNewConstMetric(ahead, prometheus.GaugeValue, s.LimitAhead.Seconds(), s.Name)
		}
	}
}

func collectMQTT(ch chan<- prometheus.Metric, m *MQTT) {
	ch <- prometheus.MustNewConstMetric(desc("mqtt_connected", "1 while there is a connection to the MQTT broker."), prometheus.GaugeValue, truth(m.Connected))
	d := desc("mqtt_trouble", "1 for what is wrong between the board and its MQTT broker.", "trouble")
	for trouble, is := range m.Troubles {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, truth(is), trouble)
	}
	d = desc("mqtt_certificate_expiry_timestamp_seconds", "When a certificate ends, as of the last try to connect: the board's own, or the broker's.", "of")
	for of, at := range map[string]time.Time{"board": m.BoardEnds, "broker": m.BrokerEnds} {
		if !at.IsZero() {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(at.Unix()), of)
		}
	}
}

// truth is a gauge that is 1 or 0.
func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

// collectMarks leaves out stations that the configuration no longer has.
func (m *Metrics) collectMarks(ch chan<- prometheus.Metric, st *rules.State) {
	d := desc("mark_last_timestamp_seconds", "When the newest mark of a station was made, since the daemon started; station is empty for marks of none.", "station")
	m.mu.Lock()
	defer m.mu.Unlock()
	send := func(station string) {
		if at, ok := m.marked[station]; ok {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(at.Wall.UnixMilli())/1000, station)
		}
	}
	send("")
	for i := range st.Stations {
		send(st.Stations[i].Name)
	}
}

// collectConfig leaves the base's label out where there is none.
func collectConfig(ch chan<- prometheus.Metric, c publish.Config) {
	labels, values := []string{"hash"}, []string{c.Hash}
	switch {
	case c.Hash == "":
		return
	case c.Base != "":
		labels, values = append(labels, "base"), append(values, c.Base)
	}
	ch <- prometheus.MustNewConstMetric(desc("config_info", "Always 1; the labels are the hashes of the configuration in force and of its base.", labels...), prometheus.GaugeValue, 1, values...)
}

func collectRecord(ch chan<- prometheus.Metric, r Record) {
	ch <- prometheus.MustNewConstMetric(desc("record_dropped_sweeps_total", "Sweeps that are not in the record, because the disk had no room or did not answer."), prometheus.CounterValue, float64(r.Dropped))
	if r.Bytes > 0 {
		ch <- prometheus.MustNewConstMetric(desc("record_bytes", "What the record takes, looked at every ten minutes."), prometheus.GaugeValue, float64(r.Bytes))
		ch <- prometheus.MustNewConstMetric(desc("record_disk_free_bytes", "Free space on the record's disk, looked at every ten minutes."), prometheus.GaugeValue, float64(r.Free))
	}
	if !r.ThinnedUntil.IsZero() {
		ch <- prometheus.MustNewConstMetric(desc("record_thinned_until_timestamp_seconds", "Readings up to here are kept as rows of ten seconds."), prometheus.GaugeValue, float64(r.ThinnedUntil.UnixMilli())/1000)
	}
}

func collectRemoteWrite(ch chan<- prometheus.Metric, r *RemoteWrite) {
	d := desc("remote_write_samples_total", "Samples for the remote write receiver, by what became of them: sent, too_old (which it refused for that), refused (for anything else), undated (nobody knows when they were), gone (of a probe that is not configured any more).", "result")
	for result, n := range r.Results {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n), result)
	}
	ch <- prometheus.MustNewConstMetric(desc("remote_write_backlog_seconds", "Age of the oldest sweep that the remote write receiver has yet to get; a few seconds while all is well."), prometheus.GaugeValue, r.Backlog.Seconds())
	failing := 0.0
	if r.Apart != nil {
		d := desc("remote_write_clock_apart_seconds", "The board's clock less the remote write receiver's, as of its last answer; absent while that is not known.")
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, r.Apart.Seconds())
	}
	if r.Failing {
		failing = 1
	}
	ch <- prometheus.MustNewConstMetric(desc("remote_write_failing", "1 while nothing gets to the remote write receiver."), prometheus.GaugeValue, failing)
	if r.LastSuccess.Believed {
		ch <- prometheus.MustNewConstMetric(desc("remote_write_last_success_timestamp_seconds", "When the remote write receiver last took something; absent without that, and while the wall clock is not believed."), prometheus.GaugeValue, float64(r.LastSuccess.Wall.UnixMilli())/1000)
	}
}

func collectProbes(ch chan<- prometheus.Metric, st *rules.State) {
	temp := desc("probe_temperature_celsius", "Temperature of a probe after calibration; absent while faulty.", "probe", "station", "role")
	up := desc("probe_up", "1 when the probe's latest reading is valid, else 0.", "probe")
	last := desc("probe_last_valid_timestamp_seconds", "When the probe last gave a valid reading; absent while the wall clock is not believed.", "probe")
	faults := desc("probe_faults_total", "Readings without a temperature, by fault.", "probe", "fault")
	for i := range st.Probes {
		p := &st.Probes[i]
		v := 0.0
		if p.Reading.Valid() {
			v = 1
			ch <- prometheus.MustNewConstMetric(temp, prometheus.GaugeValue, p.Reading.Temp.Celsius(), p.Name, p.Station, p.Role)
		}
		ch <- prometheus.MustNewConstMetric(up, prometheus.GaugeValue, v, p.Name)
		if p.Valid > 0 && p.LastValid.Believed {
			ch <- prometheus.MustNewConstMetric(last, prometheus.GaugeValue, float64(p.LastValid.Wall.UnixMilli())/1000, p.Name)
		}
		for f := sensor.Open; f < sensor.NumFaults; f++ {
			if n := p.Faults[f]; n > 0 {
				ch <- prometheus.MustNewConstMetric(faults, prometheus.CounterValue, float64(n), p.Name, f.String())
			}
		}
	}
}

// collectLots leaves ended lots out: they need nothing any more, and one may share a name with an open one.
func collectLots(ch chan<- prometheus.Metric, st *rules.State) {
	danger := desc("lot_danger_zone_seconds", "Time the lot has spent between the cold and the hot limit; come-up time apart.", "lot", "station")
	limit := desc("lot_danger_zone_limit_seconds", "Charged time at which the lot is to be discarded.", "lot", "station")
	verdict := desc("lot_verdict", "1 for the verdict that holds.", "lot", "station", "verdict")
	for i := range st.Lots {
		l := &st.Lots[i]
		if l.Ended {
			continue
		}
		ch <- prometheus.MustNewConstMetric(danger, prometheus.GaugeValue, l.DangerZone.Seconds(), l.Lot, l.Station)
		if l.DangerLimit > 0 {
			ch <- prometheus.MustNewConstMetric(limit, prometheus.GaugeValue, l.DangerLimit.Seconds(), l.Lot, l.Station)
		}
		ch <- prometheus.MustNewConstMetric(verdict, prometheus.GaugeValue, 1, l.Lot, l.Station, string(l.Verdict))
	}
}

// collectAlarms folds alarms that differ only in their probe into one series: the labels do not tell
// them apart.
func collectAlarms(ch chan<- prometheus.Metric, st *rules.State) {
	type key struct {
		alarm        rules.AlarmName
		station, lot string
		priority     rules.Priority
	}
	active := map[key]float64{}
	for i := range st.Alarms {
		a := &st.Alarms[i]
		k := key{a.Alarm, a.Station, a.Lot, a.Priority}
		v := 0.0
		if a.Active {
			v = 1
		}
		active[k] = max(active[k], v)
	}
	d := desc("alarm_active", "1 while the alarm's condition holds, 0 when it has returned and nobody has acknowledged it.", "alarm", "station", "lot", "priority")
	for k, v := range active {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, string(k.alarm), k.station, k.lot, string(k.priority))
	}
}
