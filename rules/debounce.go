package rules

import (
	"time"

	"holdbell/sensor"
)

// A single bad conversion is often noise that the next one cures. So probe-fault believes a fault when three of the
// last five conversions had one, and believes that it is over when five in a row had none; where sweeps are slow, when
// nothing valid has come for invalidAfter, and nothing else for cleanAfter. This delays the alarm alone: counters count every fault, and the clocks see
// every reading as it was.
const (
	faultWindow  = 5
	faultsNeeded = 3
	invalidAfter = 5 * time.Second
	cleanAfter   = 30 * time.Second
	// spikeDelay outlasts what conditioning doubts of a probe that was pulled out or put in: a thin tip slows down
	// within some seconds and is believed condition.Default's Bridge later.
	spikeDelay = 15 * time.Second
)

// bounce is what is remembered of a probe's latest conversions, the newest last. The zero value has seen five good
// ones.
type bounce struct {
	Kinds    [faultWindow]sensor.Fault  `json:",omitzero"`
	Times    [faultWindow]time.Duration `json:",omitzero"` // of the faults among them
	Declared bool                       `json:",omitempty"`
	From     time.Duration              `json:",omitempty"` // of the first fault that led to it
	Clean    time.Duration              `json:",omitempty"` // of the first valid reading after the latest fault
	Over     bool                       `json:",omitempty"` // it was declared until this conversion
}

// note takes in one conversion; badFrom is when the present run of bad ones began.
func (b *bounce) note(f sensor.Fault, now, badFrom time.Duration) {
	const newest = faultWindow - 1
	if f == sensor.None && b.Kinds[newest] != sensor.None {
		b.Clean = now
	}
	copy(b.Kinds[:], b.Kinds[1:])
	copy(b.Times[:], b.Times[1:])
	b.Kinds[newest], b.Times[newest], b.Over = f, 0, false
	if f == sensor.None && now-b.Clean >= cleanAfter {
		b.Kinds, b.Times = [faultWindow]sensor.Fault{}, [faultWindow]time.Duration{}
	}
	n := b.faults()
	switch {
	case f == sensor.None:
		b.Over = b.Declared && n == 0
		b.Declared = b.Declared && n > 0
		return
	case b.Declared:
	case n >= faultsNeeded, now-badFrom >= invalidAfter:
		b.Declared, b.From = true, badFrom
		for i, k := range b.Kinds[:newest] {
			if k != sensor.None {
				b.From = min(b.From, b.Times[i])
			}
		}
	}
	b.Times[newest] = now
}

// faults counts the bad ones among the latest conversions.
func (b *bounce) faults() int {
	n := 0
	for _, k := range b.Kinds {
		if k != sensor.None {
			n++
		}
	}
	return n
}

// word is the fault that an alarm names: the most frequent of the latest conversions, of several the newest.
func (p *probe) word() sensor.Fault {
	var count [sensor.NumFaults]int
	best := sensor.None
	for _, k := range p.Bounce.Kinds {
		if k == sensor.None || k >= sensor.NumFaults {
			continue
		}
		count[k]++
		if best == sensor.None || count[k] >= count[best] {
			best = k
		}
	}
	if best == sensor.None {
		return p.BadKind
	}
	return best
}

// faultFinding is what a probe's conversions say for probe-fault. Between a fault believed and its end it is near:
// nothing is raised and nothing cleared.
func (e *Engine) faultFinding(i int, p *probe) finding {
	f := finding{since: never, left: never, delay: never}
	b := &p.Bounce
	switch {
	case !e.read[i].Valid() && b.Declared:
		f.level, f.since = bad, b.From
		if p.word() == sensor.Spike {
			f.delay = spikeDelay
		}
		if e.soleSpeaker(i) {
			f.priority, f.rank = Critical, 1
		}
	case b.faults() > 0:
		f.level = near
	case b.Over:
		f.since = b.Clean
	}
	return f
}

// rejectedText says why conditioning did not pass a reading that the probe gave; empty when it did, or when there
// was none.
func (e *Engine) rejectedText(i int) string {
	p, s := &e.mem.Probes[i], &e.set.Probes[i].Condition
	if !p.Raw.Valid() || p.Cur.Valid() {
		return ""
	}
	t := s.Corrected(p.Raw)
	if !t.Valid() {
		return "Its calibration leads out of what a temperature can be."
	}
	gap := max(t.Temp-p.Filter.Temp, p.Filter.Temp-t.Temp)
	return "It reads " + e.temp(t.Temp) + ", " + e.set.Units.Difference(gap) + " from the last that was believed, and can change by " +
		e.set.Units.Difference(s.MaxSlew) + " a second."
}
