package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// answer is what the latest sweep's mark was told.
func (b *bench) answer() string {
	b.t.Helper()
	for _, ev := range b.sweep() {
		if ev.Kind == rules.MarkTaken || ev.Kind == rules.MarkRefused {
			return ev.Text
		}
	}
	b.t.Fatalf("no mark was answered:\n%s", b.story())
	return ""
}

// A hand check and a probe that lie further apart than both can err ring probes-disagree: ±1 °C by hand
// (FDA Food Code 2022 4-203.11(A)) and ±2.2 °C by probe (ASTM E230, type K, standard) unless told.
func TestProbesDisagree(t *testing.T) {
	for _, tc := range []struct {
		name        string
		hand, probe sensor.Temp // accuracies, 0 unset
		apart       sensor.Temp
		rings       bool
	}{
		{"within both", 0, 0, 3200, false},
		{"beyond both", 0, 0, 3201, true},
		{"beyond, on the other side", 0, 0, -3201, true},
		{"a good probe", 0, 500, 1501, true},
		{"a good probe, within", 0, 500, 1500, false},
		{"a poor hand thermometer", 3000, 500, 3500, false},
	} {
		s := warmer(t, "us-fda-2022")
		s.HandAccuracy, s.Probes[1].Accuracy = tc.hand, tc.probe
		b := newBench(t, s)
		b.sweep()
		b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
		before := b.lot("brisket")
		b.say(rules.MarkCheck, "brisket", "", signedCheck(f(150)+tc.apart))
		said := b.answer()
		if got := b.count(rules.AlarmRaised, rules.ProbesDisagree) == 1; got != tc.rings || got != strings.Contains(said, "more than both can err") {
			t.Errorf("%s: rings %v, answered %q", tc.name, got, said)
		}
		// It invalidates nothing: verdict and clocks are what they were.
		if l := b.lot("brisket"); l.Verdict != before.Verdict || l.Charged != before.Charged || l.Temp == nil {
			t.Errorf("%s: %s, charged %v, %v", tc.name, l.Verdict, l.Charged, l.Temp)
		}
	}
}

func TestProbesDisagreeEnds(t *testing.T) {
	begin := func() *bench {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkCheck, "brisket", "", signedCheck(f(139))).hold(time.Hour)
		if a := b.e.State().Alarms; len(a) != 1 || a[0].Alarm != rules.ProbesDisagree || a[0].Probe != "core" || !a[0].Active {
			t.Fatalf("%+v", a)
		}
		return b
	}
	gone := func(b *bench, how string) {
		t.Helper()
		if n := b.count(rules.AlarmCleared, rules.ProbesDisagree); n != 1 {
			t.Errorf("%s: cleared %d times\n%s", how, n, b.story())
		}
	}
	// Neither time nor a reading, nor none, settles it.
	b := begin()
	b.set1(1, f(139)).hold(time.Minute).fail(1, sensor.Open).hold(time.Minute)
	if b.count(rules.AlarmCleared, rules.ProbesDisagree) != 0 {
		t.Errorf("a reading settled it:\n%s", b.story())
	}
	b = begin()
	gone(b.say(rules.MarkCheck, "brisket", "", signedCheck(f(149))).hold(time.Second), "a check that agrees")
	b = begin()
	b.say(rules.MarkCorrective, "brisket", "", signed).hold(time.Second)
	if b.count(rules.AlarmCleared, rules.ProbesDisagree) != 0 {
		t.Error("a corrective mark that names no probe settled it")
	}
	gone(b.say(rules.MarkCorrective, "brisket", "", withProbe("core")).hold(time.Second), "a corrective mark that names the probe")
	b = begin()
	s := warmer(t, "us-fda-2022")
	s.Probes[1].Condition.Calibration = condition.Offset(-6000)
	gone(b.restart(s).hold(time.Second), "a new calibration")
}

// What is compared is the reading at the moment of the check, of a probe that is in the food, and food with
// food.
func TestWhatACheckIsComparedWith(t *testing.T) {
	rings := func(b *bench) bool { return b.count(rules.AlarmRaised, rules.ProbesDisagree) > 0 }
	b := loaded(t, "us-fda-2022")
	b.step = 4 * time.Minute
	b.sweep()
	b.now -= 2 * time.Minute // half way from 150 to 170 °F
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(160)))
	b.now += 2 * time.Minute
	b.set1(1, f(170)).sweep()
	if rings(b) {
		t.Errorf("compared with a reading of later:\n%s", b.story())
	}

	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkProbeOut, "brisket", "", nil).set1(1, f(80)).hold(time.Minute)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(150))).hold(time.Minute)
	b.say(rules.MarkProbeIn, "brisket", "", signedCheck(f(150))).hold(time.Minute)
	if rings(b) {
		t.Errorf("compared while off watch:\n%s", b.story())
	}
	b.fail(1, sensor.Open).say(rules.MarkCheck, "brisket", "", signedCheck(f(120))).hold(time.Second)
	if rings(b) {
		t.Errorf("compared with a fault:\n%s", b.story())
	}

	// Air is not food, unless it was the air that was checked.
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(4, f(38)).sweep()
	b.say(rules.MarkLoad, "salad", "walkin", nil).hold(time.Minute)
	b.say(rules.MarkCheck, "salad", "", signedCheck(f(50))).hold(time.Second)
	if rings(b) {
		t.Error("food was compared with air")
	}
	check := b.lot("salad").LastCheck
	b.say(rules.MarkCheck, "", "walkin", func(m *rules.Mark) { signedCheck(f(50))(m); m.Probe = "cold-air" })
	if said := b.answer(); !rings(b) || !strings.Contains(said, "air at cold-air was checked") || b.lot("salad").LastCheck != check {
		t.Errorf("%q", said)
	}

	// Between the coldest and the warmest probe of a piece it contradicts neither; under both, the nearest.
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Food = []int{1, 2}
	b = newBench(t, s)
	b.set1(1, f(145)).set1(2, f(165)).sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.say(rules.MarkCheck, "tray", "", signedCheck(f(155))).hold(time.Second)
	if rings(b) {
		t.Error("a check between two probes contradicts one")
	}
	b.say(rules.MarkCheck, "tray", "", signedCheck(f(137))).hold(time.Second)
	if ev := b.first(rules.AlarmRaised, rules.ProbesDisagree); ev.Probe != "core" || !strings.Contains(ev.Text, "145 °F") || !strings.Contains(ev.Text, "137 °F") {
		t.Errorf("%+v", ev)
	}

	// A station with several pieces: nobody knows which of them was checked.
	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).set1(2, f(170)).hold(time.Second)
	b.say(rules.MarkCheck, "", "warmer", signedCheck(f(150))).hold(time.Second)
	if rings(b) {
		t.Error("one check was compared with every piece")
	}
}

// The safer of the two speaks: a hand check on the wrong side of the limit counts, whatever the probe says.
func TestTheSaferSpeaks(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(130))).hold(time.Minute)
	b.want("brisket", rules.Act)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(150))).hold(time.Minute)
	b.want("brisket", rules.OK)

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "salad", "walkin", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkCheck, "salad", "", signedCheck(f(50)))
	if said := b.answer(); !strings.Contains(said, "over 41 °F") {
		t.Errorf("%q", said)
	}
	if l := b.hold(time.Hour).want("salad", rules.Act); !strings.Contains(l.Text, "hand") {
		t.Errorf("%q", l.Text)
	}
	b.say(rules.MarkCheck, "salad", "", signedCheck(f(40))).hold(time.Second)
	b.want("salad", rules.OK)

	// Loaded with a hand check under the limit.
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", signedCheck(f(120))).hold(time.Minute)
	b.want("brisket", rules.Act)
}
