package rules

import (
	"fmt"
	"slices"
	"time"

	"holdbell/sensor"
)

// Reference is what a probe was held against.
type Reference string

// The references. Ice and water at one atmosphere are at 0.00 °C (ASTM E563); where water boils depends on the
// pressure; a reference is another thermometer that somebody vouches for.
const (
	RefIce       Reference = "ice"
	RefBoiling   Reference = "boiling"
	RefReference Reference = "reference"
)

// References lists the words that ref= takes.
func References() []Reference { return []Reference{RefIce, RefBoiling, RefReference} }

// words names a reference in a sentence.
func (r Reference) words() string {
	switch r {
	case RefIce:
		return "ice water"
	case RefBoiling:
		return "boiling water"
	}
	return "a reference thermometer"
}

// CalibrationTolerance is how far a food thermometer may be off: ±1 °C, or ±2 °F where it is read in Fahrenheit
// (FDA Food Code 2022 4-203.11).
func CalibrationTolerance(u Units) sensor.Temp {
	if u == Fahrenheit {
		return 1111
	}
	return 1000
}

// CalibrationSpan is how far apart two checks must lie for a straight line through both: nearer together, a tenth
// of a degree at one makes a whole degree further out. Common practice.
const CalibrationSpan sensor.Temp = 20_000

// IceIsWithin is how far from 0 °C the ice of a check may be said to be: a good slush keeps to ±0.1 °C.
const IceIsWithin sensor.Temp = 500

// checked is a probe's check against a known temperature. Raw is what the probe gave, before its calibration.
type checked struct {
	T          time.Duration
	At         sensor.Instant
	Ref        Reference
	True, Read sensor.Temp
	Raw        *sensor.Temp `json:",omitempty"`
	By         string       `json:",omitempty"`
	Pass       bool         `json:",omitempty"`
	// Offset is what the probe's calibration added there: whether it was written anew since.
	Offset sensor.Temp `json:",omitempty"`
}

// CalibrationState is a check as publishers show it.
type CalibrationState struct {
	At         sensor.Instant
	Ref        Reference
	True, Read sensor.Temp
	Raw        *sensor.Temp // nil when nobody said
	By         string
	Pass       bool
}

// Error is how far the probe read from the truth.
func (c *CalibrationState) Error() sensor.Temp { return c.Read - c.True }

// calibration takes one key=value word of a calibrate mark.
func (p *markParser) calibration(key, value string) *MarkError {
	if key == "ref" {
		if !slices.Contains(References(), Reference(value)) {
			return &MarkError{"note", fmt.Sprintf("the reference %s is not known", quote(value)), meant(value, References())}
		}
		p.m.Ref = Reference(value)
		return nil
	}
	t, ok := withUnit(key, value)
	if !ok || t < minCheck || t > maxCheck {
		return &MarkError{"note", fmt.Sprintf("%s=%s is no temperature of a calibration", key, clip(value)),
			"write it with its unit, from -100C to 600C, such as " + key + "=32.4F or " + key + "=0.2C"}
	}
	switch key {
	case "true":
		p.m.True = &t
	case "read":
		p.m.Read = &t
	case "raw":
		p.m.Raw = &t
	}
	return nil
}

// calibrated asks for what a calibrate mark cannot do without.
func (p *markParser) calibrated() *MarkError {
	m := p.m
	for _, need := range [...]struct {
		has       bool
		word, fix string
	}{
		{m.Probe != "", "probe=NAME", "begin the note with probe= and the probe that was checked"},
		{m.Ref != "", "ref=", "write ref= and what it was held against: " + joinWords(References())},
		{m.True != nil, "true=", "write true= and the true temperature with its unit, such as true=32F"},
		{m.Read != nil, "read=", "write read= and what the probe read with its unit, such as read=32.4F"},
	} {
		if !need.has {
			return &MarkError{"note", fmt.Sprintf("the mark %s needs %s", m.Kind, need.word), need.fix}
		}
	}
	if m.Ref == RefIce && (*m.True > IceIsWithin || *m.True < -IceIsWithin) {
		return &MarkError{"note", fmt.Sprintf("ice water is at 0 °C (32 °F), and true= says %s", (*m.True).String()), "write true=0C or true=32F, or another ref="}
	}
	return nil
}

// applyCalibrate keeps a check of a probe, and says what follows. One that passes also settles that a hand
// thermometer and the probe did not agree: the probe was right.
func (e *Engine) applyCalibrate(m *Mark, at time.Duration) (string, bool) {
	i := e.probeIndex(m.Probe)
	if i < 0 || m.True == nil || m.Read == nil {
		return "Say which probe was checked, what it read and what was true.", false
	}
	p, limit := &e.mem.Probes[i], CalibrationTolerance(e.set.Units)
	off := *m.Read - *m.True
	c := checked{T: at, At: m.At, Ref: m.Ref, True: *m.True, Read: *m.Read, By: m.By, Pass: off <= limit && off >= -limit}
	if m.Raw != nil {
		raw := *m.Raw
		c.Raw = &raw
	}
	c.Offset = e.correction(i, c.Read)
	kept := []checked{c}
	for _, old := range p.Checks {
		if d := old.True - c.True; d >= CalibrationSpan || d <= -CalibrationSpan {
			kept = append(kept, old)
			break
		}
	}
	p.Checks = kept
	text := fmt.Sprintf("Probe %s read %s in %s of %s", m.Probe, e.temp(c.Read), c.Ref.words(), e.temp(c.True))
	if c.Ref == RefReference {
		text = fmt.Sprintf("Probe %s read %s beside %s at %s", m.Probe, e.temp(c.Read), c.Ref.words(), e.temp(c.True))
	}
	text += ", " + e.offBy(off) + ": "
	if !c.Pass {
		return text + "it fails (±" + e.set.Units.Difference(limit) + ", FDA Food Code 2022 4-203.11). Do not trust this probe for a verdict until it is put right and calibrated again; go by a hand thermometer.", true
	}
	text += "it passes (±" + e.set.Units.Difference(limit) + ", FDA Food Code 2022 4-203.11)."
	e.vouch(i)
	if p.Apart != nil {
		p.Apart = nil
		text += " It did not agree with a hand thermometer before: check that one too."
	}
	return text, true
}

// offBy says an error in words.
func (e *Engine) offBy(off sensor.Temp) string {
	switch {
	case off > 0:
		return e.set.Units.Difference(off) + " too high"
	case off < 0:
		return e.set.Units.Difference(-off) + " too low"
	}
	return "exactly right"
}

// redone reports whether a probe's calibration was written anew since it failed a check.
func (e *Engine) redone(i int, c *checked) bool { return e.correction(i, c.Read) != c.Offset }

// date puts the day of a probe's configured calibration into the engine's time. It is done once: a wall clock that is
// set later moves no interval.
func (e *Engine) date(i int, p *probe) {
	day := e.set.Probes[i].Calibrated
	if day.Equal(p.DatedDay) || !day.IsZero() && !e.mem.At.Believed {
		return
	}
	p.DatedDay, p.Dated = day, 0
	if !day.IsZero() {
		p.Dated = e.mem.Now - max(0, e.mem.At.Wall.Sub(day))
	}
}

// lastCalibrated is when a probe was last calibrated, by the record or by the configuration, whichever is newer; known
// is false when neither says. Without either it is the beginning of the watch. failed is the check by which it must
// not be trusted.
func (p *probe) lastCalibrated() (from time.Duration, known bool, failed *checked) {
	if !p.DatedDay.IsZero() {
		from, known = p.Dated, true
	}
	if len(p.Checks) > 0 && (!known || p.Checks[0].T >= from) {
		from, known = p.Checks[0].T, true
		if !p.Checks[0].Pass {
			failed = &p.Checks[0]
		}
	}
	return from, known, failed
}

// watchCalibration judges check-due of a probe: its last calibration lies too long back, there never was one, or its
// last check failed, which stands even where nobody wants to be reminded. It only shows off shift, as reminders do. A
// power-off of unknown length counts for little here: years do not hang on it.
func (e *Engine) watchCalibration(i int, p *probe, st int) {
	e.date(i, p)
	every := e.set.Probes[i].CalibrateEvery
	from, _, failed := p.lastCalibrated()
	f := finding{since: never, left: never, delay: never}
	switch due := from + every; {
	case failed != nil:
		f.level, f.since = bad, from
	case every > 0 && e.mem.Now >= due:
		f.level, f.since = bad, max(due, 0) // nobody watched before that
	}
	if f.level == bad && !e.set.Shift.On(e.mem.At) {
		f.mute = true
		if !p.AlarmCal.Active {
			f.level = fine
		}
	}
	e.judge(&p.AlarmCal, subjectOf{aCalDue, st, nil, i}, f)
}

// calibrationDueText says why a probe wants to be checked.
func (e *Engine) calibrationDueText(i int, where string) string {
	p := &e.mem.Probes[i]
	how := " Hold it against ice water: holdbell calibrate " + p.Name + " --ice."
	head := "Probe " + p.Name + " at " + where
	switch from, known, failed := p.lastCalibrated(); {
	case !known:
		return head + " has no calibration on record." + how
	case failed == nil:
		return fmt.Sprintf("%s was last calibrated %d days ago.%s", head, int64((e.mem.Now-from)/(24*time.Hour)), how)
	case e.redone(i, failed):
		return head + " failed its calibration and was put right since; check that it was." + how
	default:
		return head + " failed its calibration: " + e.offBy(failed.Read-failed.True) +
			". Do not trust it for a verdict; put it right or change it." + how
	}
}

// checkedStates gives the newest check of a probe and the one far from it.
func (e *Engine) checkedStates(i int) (newest, second *CalibrationState) {
	for j := range e.mem.Probes[i].Checks {
		c := &e.mem.Probes[i].Checks[j]
		v := &CalibrationState{At: c.At, Ref: c.Ref, True: c.True, Read: c.Read, Raw: c.Raw, By: c.By, Pass: c.Pass}
		if j == 0 {
			newest = v
		} else {
			second = v
		}
	}
	return newest, second
}
