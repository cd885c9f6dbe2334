package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// A sine about the limit with less amplitude than the hysteresis rings once and clears once.
func TestNoiseRingsOnce(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	limit := f(135)
	for i := range 3600 {
		b.set1(1, limit+sensor.Temp(400*math.Sin(float64(i)/7)))
		b.sweep()
	}
	b.set1(1, f(150)).hold(5 * time.Minute)
	if r, c := b.count(rules.AlarmRaised, rules.BelowHotLimit), b.count(rules.AlarmCleared, rules.BelowHotLimit); r != 1 || c != 1 {
		t.Errorf("raised %d times, cleared %d times, want once each", r, c)
	}
}

func TestRepeatAcknowledgeReturn(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(21 * time.Minute)
	if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit); n != 4 {
		t.Errorf("repeated %d times in 21 min, want 4", n)
	}
	b.say(rules.MarkAcknowledge, "", "warmer", func(m *rules.Mark) { m.By = "R. Oduya" }).hold(20 * time.Minute)
	if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit); n != 4 {
		t.Errorf("an acknowledged alarm went on ringing: %d", n)
	}
	a := b.e.State().Alarms[0]
	if a.Status != rules.Acknowledged || a.AckBy != "R. Oduya" || !a.Active {
		t.Errorf("the alarm is %+v", a)
	}
	// Half of the time that was left when it was acknowledged has gone: it rings again.
	b.hold(95 * time.Minute)
	if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit); n < 5 {
		t.Errorf("acknowledging settled it: repeated %d times in all\n%s", n, b.story())
	}
	b.set1(1, f(150)).hold(2 * time.Minute)
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.BelowHotLimit && a.Status != rules.Returned {
			t.Errorf("back at its limit and unacknowledged, the alarm is %s", a.Status)
		}
	}
	b.say(rules.MarkAcknowledge, "", "", nil).hold(time.Second)
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.BelowHotLimit {
			t.Errorf("acknowledged after its return, the alarm still stands: %+v", a)
		}
	}
}

// Missing readings neither raise nor clear below-hot-limit; the fault is its own alarm.
func TestNoReadingNeverClears(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(time.Minute)
	b.fail(1, sensor.Open).hold(time.Hour)
	if n := b.count(rules.AlarmCleared, rules.BelowHotLimit); n != 0 {
		t.Error("no reading cleared an alarm")
	}
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.BelowHotLimit && !a.ValueUnknown {
			t.Error("the alarm does not say that its value is unknown")
		}
	}
	if b.count(rules.AlarmRaised, rules.ProbeFault) != 1 {
		t.Errorf("the open probe rang %d times", b.count(rules.AlarmRaised, rules.ProbeFault))
	}
	if ev := b.first(rules.AlarmRaised, rules.ProbeFault); ev.Priority != rules.Critical {
		t.Errorf("the only probe of a lot failed with priority %s", ev.Priority)
	}
}

// One probe on ground is a pinched wire; two at once are likely a ground loop, and each names the other.
func TestGroundLoop(t *testing.T) {
	said := func(b *bench) (all []string) {
		for _, a := range b.e.State().Alarms {
			if a.Alarm == rules.ProbeFault {
				all = append(all, a.Text)
			}
		}
		return all
	}
	b := loaded(t, "us-fda-2022")
	b.fail(1, sensor.ShortGND).hold(time.Minute)
	if got := said(b); len(got) != 1 || !strings.Contains(got[0], "pinched wire") || strings.Contains(got[0], "loop") {
		t.Errorf("one probe: %q", got)
	}
	b = loaded(t, "us-fda-2022")
	b.fail(0, sensor.ShortGND).fail(1, sensor.ShortGND).hold(time.Minute)
	if got := said(b); len(got) != 2 || !strings.Contains(got[0], "The same goes for core: likely a ground loop") || !strings.Contains(got[1], "The same goes for air: likely a ground loop") {
		t.Errorf("two probes: %q", got)
	}
	b = loaded(t, "us-fda-2022")
	b.fail(0, sensor.Open).fail(1, sensor.ShortGND).hold(time.Minute)
	if got := said(b); len(got) != 2 || strings.Contains(got[0]+got[1], "loop") {
		t.Errorf("two faults: %q", got)
	}
}

func TestShelveAndService(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkShelve, "brisket", "", func(m *rules.Mark) {
		m.Alarm, m.Until = rules.BelowHotLimit, m.At.Wall.Add(30*time.Minute)
	}).hold(29 * time.Minute)
	if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit); n != 0 {
		t.Errorf("a shelved alarm rang %d times", n)
	}
	b.hold(2 * time.Minute)
	if n := b.count(rules.AlarmUnshelved, rules.BelowHotLimit); n != 1 {
		t.Errorf("the shelf's end was told %d times\n%s", n, b.story())
	}
	charged := b.lot("brisket").Charged
	b.say(rules.MarkOutOfService, "", "warmer", nil).hold(time.Hour)
	near(t, "a clock out of service", b.lot("brisket").Charged, charged+time.Hour, 2*time.Second)
	b.say(rules.MarkInService, "", "warmer", nil).hold(time.Second)
	if a := b.e.State().Alarms[0]; a.Status != rules.Unacknowledged {
		t.Errorf("back in service the alarm is %s", a.Status)
	}
}

// The air of an armed pit out of its band rings after its delay; a station never lit rings nobody.
func TestOutOfBand(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(3, f(80)).hold(2 * time.Hour)
	if b.count(rules.AlarmRaised, rules.OutOfBand) != 0 {
		t.Fatalf("an unlit pit rang:\n%s", b.story())
	}
	b.set1(3, f(275)).hold(10 * time.Minute)
	b.set1(3, f(320)).hold(4 * time.Minute)
	if b.count(rules.AlarmRaised, rules.OutOfBand) != 0 {
		t.Error("out-of-band rang before its delay")
	}
	b.hold(2 * time.Minute)
	if b.count(rules.AlarmRaised, rules.OutOfBand) != 1 {
		t.Errorf("a pit at 320 °F rang %d times", b.count(rules.AlarmRaised, rules.OutOfBand))
	}
	b.set1(3, f(275)).hold(3 * time.Minute)
	if b.count(rules.AlarmCleared, rules.OutOfBand) != 1 {
		t.Error("back in its band, the alarm stays")
	}
}

// A frozen register is told from a core that rests in a steady cabinet.
func TestProbeStuck(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	for i := range 3 * 3600 {
		b.set1(0, f(150)+sensor.Temp(2000*math.Sin(float64(i)/100))) // the thermostat's swing
		b.sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.ProbeStuck); n != 0 {
		t.Errorf("a resting core rang %d times", n)
	}
	b.ramp(0, f(100), time.Hour).hold(45 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.ProbeStuck); n != 1 {
		t.Errorf("a frozen core rang %d times, want once\n%s", n, b.story())
	}
}

func TestRecordTrouble(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	notice := func(k rules.NoticeKind) {
		b.events = append(b.events, b.e.Step(rules.Input{Sweep: sensor.Sweep{At: b.at(), Readings: b.temps},
			Notices: []rules.Notice{{At: b.at(), Kind: k}}})...)
		b.now += b.step
	}
	notice(rules.LedgerTrouble)
	if ev := b.first(rules.AlarmRaised, rules.RecordTrouble); ev.Station != "board" {
		t.Errorf("record-trouble stands at %q", ev.Station)
	}
	notice(rules.LedgerFine)
	b.hold(2 * time.Minute)
	if b.count(rules.AlarmCleared, rules.RecordTrouble) != 1 {
		t.Error("record-trouble does not clear")
	}
}

// Ended lots take their alarms with them, and say so.
func TestClosingClears(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkAcknowledge, "", "", nil).say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
	if b.count(rules.AlarmCleared, rules.BelowHotLimit) != 1 {
		t.Errorf("the alarm of a closed lot goes on:\n%s", b.story())
	}
}

// A cabinet that food was loaded into and that never gets warm is told after an hour, band or no band.
func TestLoadedIntoAColdCabinet(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	for _, band := range []*rules.Band{nil, s.Stations[0].Band} {
		s.Stations[0].Band = band
		b := newBench(t, s)
		b.set1(0, f(100)).sweep()
		b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(59 * time.Minute)
		if n := b.count(rules.AlarmRaised, rules.OutOfBand); n != 0 {
			t.Errorf("band %v: rang within the hour", band)
		}
		b.hold(10 * time.Minute)
		if n := b.count(rules.AlarmRaised, rules.OutOfBand); n != 1 {
			t.Errorf("band %v: rang %d times", band, n)
		}
	}
}
