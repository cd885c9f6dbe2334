package rules_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

var update = flag.Bool("update", false, "write the golden sentences anew")

// spoken is one way in which the Engine comes to speak; each runs in both units.
type spoken struct {
	title string
	code  string // us-fda-2022 unless told
	setup func(s *rules.Setup)
	play  func(b *bench) *bench
}

// twoCores has two probes in the warmer's food.
func twoCores(s *rules.Setup) { s.Stations[0].Food = []int{1, 2} }

func inWarmer(b *bench) *bench {
	b.sweep()
	return b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
}

func inWalkin(b *bench) *bench {
	b.set1(1, f(38)).sweep()
	return b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
}

func inPit(b *bench) *bench {
	b.set1(1, f(40)).sweep()
	return b.say(rules.MarkLoad, "butt", "pit", func(m *rules.Mark) { m.Probe, m.Food = "core", "pork" }).hold(time.Minute)
}

func inBath(b *bench) *bench {
	inWarmer(b)
	return b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
}

func (b *bench) every(step time.Duration) *bench { b.step = step; return b }

// sentences lists every way to speak. Each is played by the marks and readings that lead to it.
func sentences() []spoken {
	all := []spoken{
		{title: "held hot", play: func(b *bench) *bench { return inWarmer(b) }},
		{title: "below the hot limit, just now", play: func(b *bench) *bench { return inWarmer(b).set1(1, f(130)).hold(30 * time.Second) }},
		{title: "below the hot limit, for more than half the time, and recovered", play: func(b *bench) *bench {
			return inWarmer(b).set1(1, f(125)).hold(2*time.Hour+5*time.Minute).ramp(1, f(150), 20*time.Minute).hold(5 * time.Minute)
		}},
		{title: "a short shallow fall", play: func(b *bench) *bench {
			return inWarmer(b).set1(1, f(132)).hold(5*time.Minute).ramp(1, f(150), 20*time.Minute).hold(5 * time.Minute)
		}},
		{title: "reheated in place", play: func(b *bench) *bench {
			return inWarmer(b).set1(1, f(125)).hold(20*time.Minute).ramp(1, f(168), 15*time.Minute).hold(time.Minute)
		}},
		{title: "four hours below", play: func(b *bench) *bench {
			return inWarmer(b).every(10*time.Second).set1(1, f(120)).hold(4*time.Hour + time.Minute)
		}},
		{title: "half cooled and put back to be held hot", play: func(b *bench) *bench {
			b = inBath(b).ramp(1, f(110), 40*time.Minute)
			return b.say(rules.MarkMove, "brisket", "warmer", nil).set1(1, f(140)).hold(2 * time.Minute)
		}},
		{title: "two hours in the danger zone where the code says use it now", code: "au-nz", play: func(b *bench) *bench { return inWarmer(b).set1(1, c(50)).hold(2*time.Hour + time.Minute) }},
		{title: "held cold, and too warm", play: func(b *bench) *bench { return inWalkin(b).set1(1, f(50)).hold(5 * time.Minute) }},
		{title: "two probes apart", setup: twoCores, play: func(b *bench) *bench {
			b = inWarmer(b.set1(2, f(164))).say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).every(time.Minute)
			return b.rests(4*time.Hour).say(rules.MarkCorrective, "brisket", "", withProbe("core-2")).hold(time.Minute)
		}},
		{title: "one of three probes apart", setup: func(s *rules.Setup) {
			s.Stations[0].Food, s.Stations[4].Air = []int{1, 2, 4}, -1
			s.Stations[2].Air = 3
		}, play: func(b *bench) *bench {
			return b.set1(2, f(151)).set1(4, f(136)).every(time.Minute).rests(4*time.Hour).ramp(4, f(148), 2*time.Hour).rests(2 * time.Hour)
		}},
		{title: "a probe that drifts over days", setup: twoCores, play: func(b *bench) *bench {
			b.every(time.Minute).set1(1, f(145)).set1(2, f(145)).rests(30 * time.Hour)
			for range 60 {
				b.temps[2].Temp += 100
				b.rests(time.Hour)
			}
			return b.rests(20 * time.Hour)
		}},
		{title: "held cold, and too warm by the hand thermometer", play: func(b *bench) *bench {
			return inWalkin(b).say(rules.MarkCheck, "stew", "", signedCheck(f(46))).hold(time.Minute)
		}},
		{title: "only air speaks, hot", play: func(b *bench) *bench {
			inWalkin(b).say(rules.MarkLoad, "ham", "warmer", withProbe("core-2"))
			return b.say(rules.MarkMove, "stew", "warmer", withProbe("air")).hold(2 * time.Minute)
		}},
		{title: "only air speaks, cold", play: func(b *bench) *bench {
			return inWarmer(b).say(rules.MarkMove, "brisket", "walkin", withProbe("cold-air")).hold(2 * time.Minute)
		}},
		{title: "a dead probe", play: func(b *bench) *bench {
			return inWarmer(b).fail(1, sensor.Open).hold(20*time.Minute).set1(1, f(150)).hold(time.Minute)
		}},
		{title: "off watch", play: func(b *bench) *bench {
			return inWarmer(b).say(rules.MarkProbeOut, "brisket", "", nil).hold(20 * time.Minute)
		}},
		{title: "no probe", setup: func(s *rules.Setup) { s.Stations[0].Air, s.Stations[0].Band = -1, nil }, play: func(b *bench) *bench {
			return inWarmer(b).say(rules.MarkLoad, "ham", "warmer", nil).hold(20 * time.Minute)
		}},
		{title: "a power-off, and food that somebody marked", play: func(b *bench) *bench { return inWarmer(b).off(time.Hour, true).hold(time.Minute) }},
		{title: "a power-off of unknown length", play: func(b *bench) *bench { return inWarmer(b).off(time.Minute, false).hold(time.Minute) }},
		{title: "a power-off, and a station that nobody marked", play: func(b *bench) *bench { return b.hold(6*time.Minute).off(time.Hour, true).hold(time.Minute) }},
		{title: "time control", play: func(b *bench) *bench {
			return inWarmer(b).every(10*time.Second).say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Hour)
		}},
		{title: "time control, over", play: func(b *bench) *bench {
			return inWarmer(b).every(10*time.Second).say(rules.MarkTimeControl, "brisket", "", nil).hold(4*time.Hour + time.Minute)
		}},
		{title: "six hours of time control, too warm", play: func(b *bench) *bench {
			inWalkin(b).say(rules.MarkTimeControl, "stew", "", func(m *rules.Mark) { m.Note = "6h" }).hold(time.Minute)
			return b.set1(1, f(75)).hold(time.Minute)
		}},
		{title: "cooling", play: func(b *bench) *bench { return inBath(b).ramp(1, f(110), 40*time.Minute) }},
		{title: "held cold, too warm for longer, and back", play: func(b *bench) *bench {
			return inWalkin(b).set1(1, f(50)).hold(20*time.Minute).set1(1, f(38)).hold(3 * time.Minute)
		}},
		{title: "held cold, too warm a second time, where the law excuses one", code: "uk", play: func(b *bench) *bench {
			inWalkin(b).set1(1, c(12)).hold(10*time.Minute).set1(1, c(4)).hold(2 * time.Minute)
			return b.set1(1, c(12)).hold(10*time.Minute).set1(1, c(4)).hold(2 * time.Minute)
		}},
		{title: "cooling too slowly, and put on ice", play: func(b *bench) *bench {
			return inBath(b).ramp(1, f(115), 70*time.Minute).ramp(1, f(72), 30*time.Minute).hold(time.Minute)
		}},
		{title: "cooling too slowly, and nobody came", play: func(b *bench) *bench {
			return inBath(b).every(10*time.Second).ramp(1, f(100), 150*time.Minute)
		}},
		{title: "reheating too slowly, and helped", play: func(b *bench) *bench {
			inWalkin(b).say(rules.MarkMove, "stew", "oven", nil).ramp(1, f(80), 65*time.Minute)
			return b.ramp(1, f(150), 30*time.Minute).ramp(1, f(168), 8*time.Minute).hold(time.Minute)
		}},
		{title: "cooling by a plan, with a guard band", setup: func(s *rules.Setup) {
			s.Code, _ = foodcode.WithCooling(s.Code, "fsis-1")
			s.GuardBand = true
			s.Probes[1].Accuracy = 500
		}, play: func(b *bench) *bench {
			return inBath(b).ramp(1, f(110), 40*time.Minute)
		}},
		{title: "food made from ingredients at room temperature", play: func(b *bench) *bench {
			b.set1(1, f(70)).sweep()
			b.say(rules.MarkLoad, "salad", "walkin", func(m *rules.Mark) { m.Probe, m.Made = "core", rules.MadeAmbient })
			return b.ramp(1, f(60), 10*time.Minute)
		}},
		{title: "cooling, by the air alone", play: func(b *bench) *bench {
			return inWarmer(b).say(rules.MarkMove, "brisket", "bath", withProbe("cold-air")).hold(10 * time.Minute)
		}},
		{title: "cooled in time", play: func(b *bench) *bench { return inBath(b).ramp(1, f(40), 100*time.Minute).hold(time.Minute) }},
		{title: "not cooled in time", play: func(b *bench) *bench {
			return inBath(b).every(10*time.Second).ramp(1, f(100), 100*time.Minute).hold(60 * time.Minute)
		}},
		{title: "being reheated", play: func(b *bench) *bench {
			return inWalkin(b).say(rules.MarkMove, "stew", "oven", nil).ramp(1, f(120), 40*time.Minute)
		}},
		{title: "not reheated in time", play: func(b *bench) *bench {
			return inWalkin(b).every(10*time.Second).say(rules.MarkMove, "stew", "oven", nil).ramp(1, f(150), 121*time.Minute)
		}},
		{title: "cooking", play: func(b *bench) *bench { return inPit(b).every(10*time.Second).ramp(1, f(120), 2*time.Hour) }},
		{title: "cooking, and too slowly", play: func(b *bench) *bench { return inPit(b).every(10*time.Second).ramp(1, f(128), 10*time.Hour) }},
		{title: "left the pit too early", play: func(b *bench) *bench {
			inPit(b).ramp(1, f(138), 90*time.Minute).hold(2 * time.Minute)
			return b.say(rules.MarkMove, "butt", "warmer", nil).hold(time.Minute)
		}},
		{title: "thrown away", play: func(b *bench) *bench {
			return inWarmer(b).say(rules.MarkDiscard, "brisket", "", signed).hold(time.Minute)
		}},
		{title: "near the kitchen's own limit of growth", code: "au-nz", setup: func(s *rules.Setup) { s.GrowthLimit = 1 }, play: func(b *bench) *bench {
			inWarmer(b).every(10*time.Second).set1(1, c(46))
			for b.now < 2*time.Hour && b.lot("brisket").Verdict == rules.OK {
				b.sweep()
			}
			return b
		}},
		{title: "over the kitchen's own limit of growth", code: "au-nz", setup: func(s *rules.Setup) { s.GrowthLimit = 1 }, play: func(b *bench) *bench {
			return inWarmer(b).every(10*time.Second).set1(1, c(46)).hold(115 * time.Minute)
		}},
		{title: "in a station that is out of service", play: func(b *bench) *bench {
			b.say(rules.MarkOutOfService, "", "warmer", reasonNote("proofing")).hold(time.Minute)
			return inWarmer(b)
		}},
		{title: "in a cabinet that is not hot yet since it is back in service", play: func(b *bench) *bench {
			b.set1(0, f(85)).say(rules.MarkOutOfService, "", "warmer", nil).hold(time.Minute)
			b.say(rules.MarkInService, "", "warmer", nil).hold(time.Minute)
			return inWarmer(b)
		}},
		{title: "the cabinet's air under and over its band", play: func(b *bench) *bench {
			inWarmer(b).set1(0, f(138)).hold(20*time.Minute).set1(0, f(150)).hold(5 * time.Minute)
			return b.set1(0, f(170)).hold(20*time.Minute).set1(0, f(150)).hold(5 * time.Minute)
		}},
		{title: "a cabinet that never came to its limit", setup: func(s *rules.Setup) { s.Stations[0].Band = nil }, play: func(b *bench) *bench {
			return inWarmer(b.set1(0, f(100))).hold(70 * time.Minute)
		}},
		{title: "too hot a hold", setup: func(s *rules.Setup) {
			set := f(150)
			s.Stations[0].Setpoint, s.Stations[0].Band = &set, &rules.Band{Low: f(140), High: f(180)}
		}, play: func(b *bench) *bench {
			inWarmer(b).set1(0, f(175)).ramp(1, f(172), 20*time.Minute).hold(time.Hour)
			return b.set1(0, f(150)).ramp(1, f(155), time.Hour).hold(10 * time.Minute)
		}},
		{title: "the limit is ahead", play: func(b *bench) *bench {
			return inWarmer(b).every(10*time.Second).set1(0, f(100)).ramp(1, f(138), 80*time.Minute)
		}},
		{title: "something is due", setup: func(s *rules.Setup) {
			s.Stations[1].Reminders = []rules.Reminder{{Say: "turn the racks", Every: time.Hour, After: rules.MarkRotate}}
		}, play: func(b *bench) *bench {
			inPit(b).hold(65*time.Minute).say(rules.MarkRotate, "", "pit", nil).hold(time.Minute)
			return b
		}},
		{title: frozen, play: func(b *bench) *bench {
			return inWarmer(b).ramp(0, f(100), time.Hour).hold(45*time.Minute).set1(1, f(149)).hold(2 * time.Minute)
		}},
		{title: "the hand thermometer says otherwise, hot", play: func(b *bench) *bench {
			inWarmer(b).say(rules.MarkCheck, "brisket", "", signedCheck(f(140))).hold(time.Minute)
			return b.say(rules.MarkCheck, "brisket", "", signedCheck(f(149))).hold(time.Minute)
		}},
		{title: "the hand thermometer says otherwise, cold", play: func(b *bench) *bench {
			return inWalkin(b).say(rules.MarkCheck, "stew", "", signedCheck(f(31.8))).hold(time.Minute)
		}},
		{title: "a probe that failed its calibration, and passed", play: func(b *bench) *bench {
			inWarmer(b).say(rules.MarkCalibrate, "", "", calibrate(rules.RefIce, 0, 3000)).hold(time.Minute)
			return b.say(rules.MarkCalibrate, "", "", calibrate(rules.RefBoiling, 94_906, 95_200)).hold(time.Minute)
		}},
		{title: "a calibration that is old", setup: func(s *rules.Setup) { s.Probes[1].CalibrateEvery = 2 * time.Minute }, play: func(b *bench) *bench {
			return inWarmer(b).hold(3 * time.Minute)
		}},
		{title: "the record cannot be written", play: func(b *bench) *bench {
			return b.notice(rules.LedgerTrouble).notice(rules.LedgerFine).hold(2 * time.Minute)
		}},
		{title: "the mains power goes and comes back", play: func(b *bench) *bench {
			for _, k := range []rules.NoticeKind{rules.MainsOff, rules.MainsOn} {
				b.notice(k).hold(2 * time.Minute)
			}
			return b
		}},
		{title: "the clock is not set for a while, and is set", play: func(b *bench) *bench {
			b.doubt = true
			b.hold(6 * time.Minute)
			b.doubt, b.wall = false, b.wall.AddDate(6, 0, 0)
			return b.hold(6 * time.Minute)
		}},
		{title: "the clock jumps", play: func(b *bench) *bench {
			b.hold(time.Minute)
			b.wall = b.wall.Add(-45 * time.Minute)
			return b.hold(6 * time.Minute)
		}},
		{title: "closed with an alarm standing", play: func(b *bench) *bench {
			return inWarmer(b).set1(1, f(120)).hold(time.Minute).say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
		}},
	}
	for fault := sensor.Open; fault < sensor.NumFaults; fault++ {
		all = append(all, spoken{title: "a fault: " + fault.String(), play: func(b *bench) *bench { return inWarmer(b).fail(1, fault).hold(time.Minute) }})
	}
	return all
}

// The sentences of every verdict and alarm, in both units, stand in a golden file to be read by people; none
// is left out, and each can stand on a lock screen.
func TestEverySentence(t *testing.T) {
	var out bytes.Buffer
	reasons, raised, cleared := map[int]bool{}, map[rules.AlarmName]bool{}, map[rules.AlarmName]bool{}
	list := sentences()
	for _, s := range list {
		fmt.Fprintf(&out, "# %s\n", s.title)
		for _, u := range []rules.Units{rules.Fahrenheit, rules.Celsius} {
			name := s.code
			if name == "" {
				name = "us-fda-2022"
			}
			set := warmer(t, name)
			if s.setup != nil {
				s.setup(&set)
			}
			set.Units = u
			b := s.play(newBench(t, set))
			for _, line := range said(b.events) {
				if strings.Contains(line, string(rules.ProbeStuck)) && s.title != frozen {
					continue // the bench's other readings stand still
				}
				fmt.Fprintln(&out, line)
			}
			for _, l := range b.e.State().Lots {
				fmt.Fprintf(&out, "  stands  %-8s %s\n", l.Verdict, l.Text)
				if l.Proposal != "" {
					fmt.Fprintf(&out, "  proposed         %s\n", l.Proposal)
				}
				sentence(t, s.title, l.Text)
			}
			for _, r := range b.e.Reasons() {
				reasons[r] = true
			}
			for _, ev := range b.events {
				switch ev.Kind {
				case rules.AlarmRaised:
					raised[ev.Alarm] = true
				case rules.AlarmCleared:
					cleared[ev.Alarm] = true
				}
				sentence(t, s.title, ev.Text)
			}
			if u == rules.Fahrenheit {
				fmt.Fprintln(&out, "  --")
			}
		}
	}
	for r := range rules.NumReasons {
		if !reasons[r] && !slices.Contains(rules.Unused(), r) {
			t.Errorf("no sentence for reason %d of rules/verdict.go: play it in sentences", r)
		}
	}
	for _, n := range rules.AlarmNames() {
		if slices.Contains(simulated, n) {
			continue
		}
		if !raised[n] {
			t.Errorf("no sentence for the alarm %s: play it in sentences", n)
		}
	}
	if len(list) == 0 || len(cleared) == 0 {
		t.Error("nothing was played")
	}
	golden(t, "testdata/sentences.txt", out.Bytes())
}

const frozen = "a probe that does not move"

// simulated are alarms that need a simulated kitchen to be raised; their own tests read their words.
var simulated = []rules.AlarmName{rules.DoorOpen, rules.FireFalling}

// said are the sentences of a story that ring or change a verdict, each once.
func said(events []rules.Event) []string {
	var lines []string
	for _, ev := range events {
		word := map[rules.EventKind]string{rules.AlarmRaised: "rings", rules.AlarmCleared: "ends", rules.VerdictChanged: "verdict",
			rules.ReheatProven: "proven", rules.CookProven: "proven", rules.Restarted: "gap", rules.ClockSet: "clock"}[ev.Kind]
		if word == "" {
			continue
		}
		what := string(ev.Verdict)
		if ev.Alarm != "" {
			what = string(ev.Alarm)
			if ev.Kind == rules.AlarmRaised {
				what += ", " + string(ev.Priority)
			}
		}
		lines = append(lines, fmt.Sprintf("  %-8s%-8s %s", word, what, ev.Text))
	}
	return lines
}

// sentence holds a text to what a lock screen needs: whole sentences, no sign of a bug, no stray zero.
func sentence(t *testing.T, title, text string) {
	t.Helper()
	switch {
	case text == "" || !strings.HasSuffix(text, "."):
		t.Errorf("%s: %q is no whole sentence", title, text)
	case strings.Contains(text, "%!"), strings.Contains(text, "  "), strings.Contains(text, ".."), strings.Contains(text, "-0 "), strings.Contains(text, "for 0 s"), strings.Contains(text, "watched by none"):
		t.Errorf("%s: %q", title, text)
	}
}

// golden compares with a file, or writes it with -update.
func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(got, want) {
		return
	}
	a, b := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			t.Fatalf("%s differs in line %d (write it anew with -update, and read the difference):\ngot  %s\nwant %s", path, i+1, a[i], slices.Concat(b, []string{"the end"})[min(i, len(b))])
		}
	}
	t.Fatalf("%s is longer than what was said", path)
}

// What rounds to zero has no sign, in either unit.
func TestNoMinusZero(t *testing.T) {
	for _, v := range []sensor.Temp{-10, -40, -17_778 + 20, -17_790} {
		for _, u := range []rules.Units{rules.Fahrenheit, rules.Celsius} {
			if s := u.Format(v); strings.HasPrefix(s, "-0 ") || strings.HasPrefix(s, "-0.0") {
				t.Errorf("%d is written %q", v, s)
			}
		}
	}
	if got := rules.Celsius.Format(-60); got != "-0.1 °C" {
		t.Errorf("%q", got)
	}
}
