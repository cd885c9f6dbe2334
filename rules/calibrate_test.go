package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// calibrate is what a calibrate mark of the core says.
func calibrate(ref rules.Reference, truth, read sensor.Temp) func(*rules.Mark) {
	return func(m *rules.Mark) {
		raw := read + 500
		m.Probe, m.Ref, m.True, m.Read, m.Raw, m.By = "core", ref, &truth, &read, &raw, "R. Oduya"
	}
}

// The limit is ±1 °C, or ±2 °F where people read Fahrenheit (FDA Food Code 2022 4-203.11), the limit itself inside.
func TestCalibratePassesAndFails(t *testing.T) {
	for _, tc := range []struct {
		units      rules.Units
		ref        rules.Reference
		true, read sensor.Temp
		pass       bool
		want       string
	}{
		{rules.Celsius, rules.RefIce, 0, 0, true, "Probe core read 0 °C in ice water of 0 °C, exactly right: it passes (±1 °C,"},
		{rules.Celsius, rules.RefIce, 0, 1000, true, "1 °C too high: it passes"},
		{rules.Celsius, rules.RefIce, 0, 1001, false, "it fails (±1 °C, FDA Food Code 2022 4-203.11). Do not trust this probe for a verdict until it is put right and calibrated again"},
		{rules.Celsius, rules.RefIce, 0, -1001, false, "1 °C too low: it fails"},
		{rules.Fahrenheit, rules.RefIce, 0, 1111, true, "Probe core read 34 °F in ice water of 32 °F, 2 °F too high: it passes (±2 °F,"},
		{rules.Fahrenheit, rules.RefIce, 0, -1112, false, "it fails (±2 °F,"},
		{rules.Fahrenheit, rules.RefBoiling, 94_906, 96_500, false, "in boiling water of 202.8 °F, 2.9 °F too high: it fails"},
		{rules.Celsius, rules.RefReference, 65_000, 64_200, true, "Probe core read 64.2 °C beside a reference thermometer at 65 °C, 0.8 °C too low: it passes"},
	} {
		s := warmer(t, "us-fda-2022")
		s.Units = tc.units
		b := newBench(t, s)
		b.sweep()
		b.say(rules.MarkCalibrate, "", "", calibrate(tc.ref, tc.true, tc.read))
		if said := b.answer(); !strings.Contains(said, tc.want) || strings.Contains(said, "unsigned") {
			t.Errorf("%d of %d: %q, want %q", tc.read, tc.true, said, tc.want)
		}
		got := b.e.State().Probes[1].Calibration
		if got == nil || got.Pass != tc.pass || got.Error() != tc.read-tc.true || got.Ref != tc.ref || got.By != "R. Oduya" ||
			got.Raw == nil || *got.Raw != tc.read+500 || !got.At.Wall.Equal(b.wall.Add(time.Second)) {
			t.Errorf("%d of %d: kept %+v", tc.read, tc.true, got)
		}
	}
}

func TestCalibrateRefused(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkCalibrate, "", "", func(m *rules.Mark) { calibrate(rules.RefIce, 0, 0)(m); m.Probe = "cor" })
	if said := b.answer(); !strings.Contains(said, "No probe is called cor.") || b.count(rules.MarkRefused, "") != 1 {
		t.Errorf("%q", said)
	}
	for note, want := range map[string]string{
		"ref=ice true=0C read=0C":                      "needs probe=NAME",
		"probe=core true=0C read=0C":                   "needs ref=",
		"probe=core ref=ice read=0C":                   "needs true=",
		"probe=core ref=ice true=0C":                   "needs read=",
		"probe=core ref=snow true=0C read=0C":          `the reference "snow" is not known; write one of: ice, boiling, reference`,
		"probe=core ref=ice true=0 read=0C":            "true=0 is no temperature of a calibration; write it with its unit",
		"probe=core ref=ice true=0C read=700C":         "read=700C is no temperature",
		"probe=core ref=ice true=0C read=F":            "read=F is no temperature",
		"probe=core ref=ice true=0C read=32.0F raw=1K": "raw=1K is no temperature",
		"probe=core ref=ice true=32C read=32C":         "ice water is at 0 °C (32 °F), and true= says 32.0 °C",
	} {
		m, err := rules.ParseMark(rules.MarkFields{Mark: "calibrate", Note: note})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %+v, %v, want %q", note, m, err, want)
		}
	}
	m, err := rules.ParseMark(rules.MarkFields{Mark: "calibrate", Note: "probe=core ref=boiling true=202.8F read=95C raw=95.5C at the stove"})
	if err != nil || m.Ref != rules.RefBoiling || *m.True != f(202.8) || *m.Read != 95_000 || *m.Raw != 95_500 || m.FreeText() != "at the stove" {
		t.Errorf("%+v, %v", m, err)
	}
}

// The newest check is kept, and beside it the newest that lies 20 °C or more from it.
func TestCalibrationPoints(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	for _, tc := range []struct{ truth, read, first, second sensor.Temp }{ // what is kept, by what was read
		{0, 300, 300, 0},
		{0, 400, 400, 0},              // again at the same: no line through the two
		{19_999, 20_000, 20_000, 0},   // too near
		{0, 450, 450, 0},              // and the near one is not kept either
		{95_000, 95_600, 95_600, 450}, // a second point
		{95_100, 95_700, 95_700, 450},
		{0, 500, 500, 95_700},
	} {
		b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefReference, tc.truth, tc.read)).sweep()
		p := &b.e.State().Probes[1]
		if p.Calibration == nil || p.Calibration.Read != tc.first || (p.Second == nil) != (tc.second == 0) || p.Second != nil && p.Second.Read != tc.second {
			t.Fatalf("after %d of %d: %+v and %+v", tc.read, tc.truth, p.Calibration, p.Second)
		}
	}
}

// A check that passes settles probes-disagree; one that fails does not.
func TestCalibrationSettlesDisagreement(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(139))).hold(time.Minute)
	if b.count(rules.AlarmRaised, rules.ProbesDisagree) != 1 {
		t.Fatal(b.story())
	}
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 5000)).hold(time.Minute)
	if b.count(rules.AlarmCleared, rules.ProbesDisagree) != 0 {
		t.Errorf("a failed check settled it:\n%s", b.story())
	}
	before := b.lot("brisket")
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 100))
	if said := b.answer(); !strings.Contains(said, "It did not agree with a hand thermometer before: check that one too.") {
		t.Errorf("%q", said)
	}
	if b.count(rules.AlarmCleared, rules.ProbesDisagree) != 1 {
		t.Errorf("it still stands:\n%s", b.story())
	}
	if l := b.lot("brisket"); l.Verdict != before.Verdict || !l.LastCheck.Wall.Equal(before.LastCheck.Wall) {
		t.Errorf("a calibration is no hand check of the food: %+v", l)
	}
}

// due gives the probe's standing check-due.
func due(b *bench) *rules.AlarmState {
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.CheckDue && a.Probe == "core" && a.Active {
			return &a
		}
	}
	return nil
}

// A calibration is old after the time that the configuration says, counted from the check, and without one from
// the beginning of the watch.
func TestCalibrationFallsDue(t *testing.T) {
	const every = 30 * 24 * time.Hour
	s := warmer(t, "us-fda-2022")
	s.Probes[1].CalibrateEvery = every
	b := newBench(t, s)
	b.step = 4 * time.Minute
	b.hold(every)
	if due(b) != nil {
		t.Fatal("due before its time")
	}
	b.sweep()
	a := due(b)
	if a == nil || a.Station != "warmer" || a.Priority != rules.Advice || !strings.Contains(a.Text, "Probe core at warmer has no calibration on record. Hold it against ice water: holdbell calibrate core --ice.") {
		t.Fatalf("%+v", a)
	}
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 100)).sweep()
	if due(b) != nil {
		t.Fatal("due after a check")
	}
	if b.cut = b.now + time.Hour; true {
		b.cut -= b.cut % b.step
	}
	b.hold(every - 2*b.step)
	if due(b) != nil {
		t.Fatal("due again too early")
	}
	b.hold(2 * b.step)
	if a := due(b); a == nil || !strings.Contains(a.Text, "was last calibrated 30 days ago") {
		t.Fatalf("%+v", a)
	}
	// A check that fails ends nothing: it is due again at once, and stands until one passes.
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 3000)).hold(time.Hour)
	if a := due(b); a == nil {
		t.Fatal("a failed check counts as done")
	}
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, -200)).sweep()
	if due(b) != nil {
		t.Fatal("due after a check that passed")
	}
}

// A failed check rings even where nobody wants to be reminded, once, and knows when the calibration was
// written anew.
func TestFailedCalibrationStands(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(time.Minute)
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 3000)).hold(2 * time.Hour)
	a := due(b)
	if a == nil || !strings.Contains(a.Text, "failed its calibration: 5.4 °F too high. Do not trust it for a verdict") || b.count(rules.AlarmRepeated, rules.CheckDue) != 0 {
		t.Fatalf("%+v\n%s", a, b.story())
	}
	// Off shift nothing begins.
	s := warmer(t, "us-fda-2022")
	s.Shift = &rules.Shift{From: 6 * time.Hour, To: 11 * time.Hour, Zone: time.UTC}
	b = newBench(t, s)
	b.step = time.Minute
	b.sweep()
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 3000)).hold(17 * time.Hour)
	if due(b) != nil {
		t.Fatal("raised off shift") // the watch begins at noon
	}
	b.hold(2 * time.Hour)
	if due(b) == nil {
		t.Fatal("not raised on shift")
	}
}

// The day of the configuration's calibration counts as a check of the record does, whichever is newer; by a clock
// that is not believed no day is told.
func TestConfiguredCalibrationCounts(t *testing.T) {
	const every = 30 * 24 * time.Hour
	setup := func(ago time.Duration) rules.Setup {
		s := warmer(t, "us-fda-2022")
		s.Probes[1].CalibrateEvery = every
		s.Probes[1].Calibrated = newBench(t, s).wall.Add(-ago)
		return s
	}
	b := newBench(t, setup(10*24*time.Hour))
	b.step = 4 * time.Minute
	b.hold(every - 10*24*time.Hour - 2*b.step)
	if due(b) != nil {
		t.Fatal("due before 30 days from the configuration's day")
	}
	b.hold(3 * b.step)
	if a := due(b); a == nil || !strings.Contains(a.Text, "was last calibrated 30 days ago") {
		t.Fatalf("not due 30 days after the configuration's day: %+v", a)
	}
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 100)).sweep()
	if due(b) != nil {
		t.Fatal("a newer check does not count beside the configuration's day")
	}

	// A day that lies long back is due at once; one ahead of the clock is today.
	b = newBench(t, setup(400*24*time.Hour))
	b.sweep()
	if a := due(b); a == nil || !strings.Contains(a.Text, "was last calibrated 400 days ago") {
		t.Fatalf("%+v", a)
	}
	b = newBench(t, setup(-400*24*time.Hour))
	b.step = 4 * time.Minute
	b.hold(every - b.step)
	if due(b) != nil {
		t.Fatal("a day ahead")
	}
	if b.hold(2 * b.step); due(b) == nil {
		t.Fatal("a day ahead counts for ever")
	}

	// A check that failed after the configuration's day stands; one written after it is a calibration anew.
	b = newBench(t, setup(time.Hour))
	b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 3000)).sweep()
	if a := due(b); a == nil || !strings.Contains(a.Text, "failed its calibration") {
		t.Fatalf("%+v", a)
	}
	b.hold(2 * time.Hour)
	s := setup(-time.Hour)
	b.restart(s)
	if b.hold(time.Minute); due(b) != nil {
		t.Fatal("a calibration that was written after the failed check does not count")
	}

	// A board without a clock wakes up in the past: the day is told once the clock is believed, and then for good.
	b = newBench(t, setup(29*24*time.Hour))
	b.doubt, b.wall = true, b.wall.Add(-1000*24*time.Hour)
	b.sweep()
	b.doubt, b.wall = false, b.wall.Add(1000*24*time.Hour)
	b.hold(time.Minute)
	b.doubt, b.step = true, 4*time.Minute
	b.hold(25 * time.Hour)
	if a := due(b); a == nil || !strings.Contains(a.Text, "was last calibrated 30 days ago") {
		t.Fatalf("%+v", a)
	}
}
