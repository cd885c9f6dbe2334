package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// Each step of conditioning is to be seen: as the probe gave it, corrected, and passed or rejected with the reason.
func TestStepsOfConditioning(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Probes[1].Condition = condition.Settings{Calibration: condition.Offset(-500), MaxSlew: 5000, Bridge: 5 * time.Second}
	b := newBench(t, s)
	if p := b.e.State().Probes[1]; p.Corrected.Valid() || p.Rejected != "" {
		t.Errorf("before the first sweep: %+v", p)
	}
	b.set1(1, c(65)).hold(time.Minute)
	if p := b.e.State().Probes[1]; p.Raw.Temp != 65_000 || p.Corrected.Temp != 64_500 || p.Reading != p.Corrected || p.Rejected != "" {
		t.Errorf("a good reading: %+v", p)
	}
	b.set1(1, c(90)).sweep()
	p := b.e.State().Probes[1]
	if p.Raw.Temp != 90_000 || p.Corrected.Temp != 89_500 || p.Reading.Fault != sensor.Spike ||
		p.Rejected != "It reads 193.1 °F, 45 °F from the last that was believed, and can change by 9 °F a second." {
		t.Errorf("a rejected reading: %+v", p)
	}
	b.fail(1, sensor.Open).sweep()
	if p := b.e.State().Probes[1]; p.Raw.Fault != sensor.Open || p.Corrected.Fault != sensor.Open || p.Rejected != "" {
		t.Errorf("an open probe: %+v", p)
	}
	b.set1(1, sensor.MinTemp).sweep()
	if p := b.e.State().Probes[1]; p.Corrected.Fault != sensor.Range || !strings.Contains(p.Rejected, "calibration") {
		t.Errorf("a reading beyond all: %+v", p)
	}
}

// The board's own supply stands beside a probe's fault while it is low, and survives a restart; the kernel's word
// ends it.
func TestSupplyBesideTheFault(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	tell := func(k rules.NoticeKind) {
		b.events = append(b.events, b.e.Step(rules.Input{Sweep: sensor.Sweep{At: b.at(), Readings: b.temps},
			Notices: []rules.Notice{{At: b.at(), Kind: k}}})...)
		b.now += b.step
	}
	const low = "the board's supply is low"
	tell(rules.SupplyLow)
	if b.e.State().Supply != rules.SupplyIsLow || len(b.events) > 0 && strings.Contains(b.story(), low) {
		t.Errorf("supply %q\n%s", b.e.State().Supply, b.story())
	}
	b.restart(b.set)
	b.fail(1, sensor.BusFault).hold(10 * time.Second)
	if ev := b.first(rules.AlarmRaised, rules.ProbeFault); !strings.Contains(ev.Text, low) {
		t.Errorf("%s", ev.Text)
	}
	tell(rules.SupplyFine)
	if b.e.State().Supply != rules.SupplyIsFine {
		t.Errorf("supply %q", b.e.State().Supply)
	}
	b.fail(0, sensor.BusFault).hold(10 * time.Second)
	for _, ev := range b.events {
		if ev.Kind == rules.AlarmRaised && ev.Probe == "air" && strings.Contains(ev.Text, low) {
			t.Errorf("%s", ev.Text)
		}
	}
	tell(rules.SupplyUnknown)
	if b.e.State().Supply != "" {
		t.Errorf("supply %q", b.e.State().Supply)
	}
}
