package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// stove is a kitchen with one piece in a warmer, watched by the real rules, a sweep a second as often as somebody
// looks. The probe reads whatever it is put into.
type stove struct {
	t      testing.TB
	engine *rules.Engine
	start  time.Time
	swept  time.Duration
	marks  []rules.Mark
	sent   []string // kind and note of each mark
	reads  func(since time.Duration) sensor.Reading
	gone   bool // the daemon has ended
}

const stoveConfig = `units: %s
rules: { food_code: us-fda-2022 }
probes:
  - { name: core, chip: max31855, bus: SPI0.0, type: K, %s }
stations:
  - { name: warmer, purpose: hot-holding, food: [core] }
ledger: { path: /tmp/none.db }
`

func stillAt(t sensor.Temp) func(time.Duration) sensor.Reading {
	return func(time.Duration) sensor.Reading { return sensor.Reading{Temp: t} }
}

func newStove(t testing.TB, units rules.Units, correction string) *stove {
	t.Helper()
	setup, err := mustConfig(t, units, correction).Setup()
	if err != nil {
		t.Fatal(err)
	}
	e, err := rules.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	s := &stove{t: t, engine: e, start: time.Now(), reads: stillAt(66_000)}
	s.say(rules.MarkFields{Mark: "load", Lot: "brisket", Station: "warmer", Note: "food=beef probe=core"})
	s.sweep()
	return s
}

func (s *stove) say(f rules.MarkFields) {
	m, err := rules.ParseMark(f)
	if err != nil {
		s.t.Fatal(err)
	}
	m.At = s.instant()
	s.marks = append(s.marks, m)
}

func (s *stove) instant() sensor.Instant {
	return sensor.Instant{Wall: s.start.Add(s.swept), Mono: s.swept, Believed: true}
}

// sweep takes one, with what was marked since the last, and gives what was said.
func (s *stove) sweep() []rules.Event {
	s.swept += time.Second
	in := rules.Input{Sweep: sensor.Sweep{At: s.instant(), Readings: []sensor.Reading{s.reads(s.swept)}}, Marks: s.marks}
	s.marks = nil
	return slices.Clone(s.engine.Step(in))
}

// catchUp takes the sweeps of the time that has passed.
func (s *stove) catchUp() {
	for time.Since(s.start)-s.swept >= time.Second {
		s.sweep()
	}
}

func (s *stove) probes(ctx context.Context) (running, error) {
	if s.gone {
		return running{}, page.ErrUnreachable
	}
	if err := ctx.Err(); err != nil {
		return running{}, err
	}
	s.catchUp()
	raw, err := json.Marshal(page.Report(s.engine.State(), s.instant(), time.Minute))
	if err != nil {
		s.t.Fatal(err)
	}
	var st running
	err = json.Unmarshal(raw, &st)
	return st, err
}

func (s *stove) mark(ctx context.Context, f rules.MarkFields) (string, error) {
	if s.gone {
		return "", page.ErrUnreachable
	}
	if err := ctx.Err(); err != nil {
		return "", err
	}
	s.catchUp()
	s.sent = append(s.sent, f.Mark+" "+f.Lot)
	s.say(f)
	for _, ev := range s.sweep() {
		switch ev.Kind {
		case rules.MarkTaken:
			return ev.Text, nil
		case rules.MarkRefused:
			return "", errors.New(ev.Text)
		}
	}
	s.t.Fatalf("nobody answered %+v", f)
	return "", nil
}

func (s *stove) lot() rules.LotState { return s.engine.State().Lots[0] }

// person sits at a terminal: at each prompt does the next thing, which says whether Enter is pressed after it.
type person struct {
	bytes.Buffer
	keys  *io.PipeWriter
	does  []func() (enter bool)
	asked []string
}

func (p *person) Write(b []byte) (int, error) {
	if line := strings.TrimSpace(string(b)); strings.HasSuffix(line, "then press Enter.") && len(p.does) > 0 {
		p.asked = append(p.asked, line)
		do := p.does[0]
		p.does = p.does[1:]
		if do() {
			go fmt.Fprintln(p.keys)
		}
	}
	return p.Buffer.Write(b)
}

// guided runs calibrate in a bubble of its own time with a person at the terminal; does is made with the stove and
// with what Ctrl-C does.
func guided(t *testing.T, s *stove, c *calibration, does func(stop func()) []func() bool) (said string, asked []string, err error) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	keys, typed := io.Pipe()
	defer typed.Close()
	p := &person{keys: typed, does: does(stop)}
	c.probe, c.daemon, c.guide = "core", s, guide{out: p, in: bufio.NewReader(keys)}
	if c.wait == 0 {
		c.wait = 10 * time.Minute
	}
	err = c.run(ctx)
	return p.String(), p.asked, err
}

func code(err error) int {
	var e *exit
	if errors.As(err, &e) {
		return e.Status
	}
	if err != nil {
		return -1
	}
	return exitOK
}

// settling is a probe that was put into water: it closes on it with a time constant of five seconds.
func (s *stove) settling(to sensor.Temp) {
	from, at := s.reads(s.swept).Temp, s.swept
	s.reads = func(now time.Duration) sensor.Reading {
		left := float64(from - to)
		for range int((now - at) / time.Second) {
			left *= 0.82
		}
		return sensor.Reading{Temp: to + sensor.Temp(left)}
	}
}

// The whole way: out of the food, into the ice, steady, recorded, back into the food. While it was out the piece was
// charged nothing and cleared of nothing; out for longer than a gap may be, the time is unknown.
func TestGuidedIce(t *testing.T) {
	for _, out := range []time.Duration{time.Minute, 6 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			s := newStove(t, rules.Fahrenheit, "offset: 0C")
			said, asked, err := guided(t, s, &calibration{ref: rules.RefIce, prepare: "Crushed ice.", by: "R. Oduya"}, func(func()) []func() bool {
				return []func() bool{
					func() bool { s.settling(250); return true },
					func() bool { s.settling(65_500); time.Sleep(out); return true },
				}
			})
			if err != nil {
				t.Fatalf("%v\n%s", err, said)
			}
			if want := []string{"probe-out brisket", "calibrate ", "probe-in brisket"}; !slices.Equal(s.sent, want) {
				t.Errorf("told %q, want %q", s.sent, want)
			}
			if want := []string{"When the probe is there, then press Enter.", "Wipe the probe clean and put it back into brisket, then press Enter."}; !slices.Equal(asked, want) {
				t.Errorf("asked %q", asked)
			}
			for _, want := range []string{"Probe core against ice, truly 32.0 °F.", "Take the probe out of brisket.", "Crushed ice.", "Reading 32.5 °F",
				"too high: it passes (±2 °F", "brisket is on watch again."} {
				if !strings.Contains(said, want) {
					t.Errorf("%q is missing:\n%s", want, said)
				}
			}
			if c := mustConfig(t, rules.Fahrenheit, "calibration: "+stanzaIn(said)).Probes[0].Check; c.Reference != "ice" || c.By != "R. Oduya" || len(c.Points) != 1 || c.Points[0].True != 0 || c.Points[0].Read < 200 || c.Points[0].Read > 350 ||
				c.Date.Format(time.DateOnly) != time.Now().Format(time.DateOnly) || !strings.Contains(said, "true: 32.00F }") {
				t.Errorf("to be written: %+v\n%s", c, said)
			}
			for range 60 {
				s.sweep()
			}
			switch l := s.lot(); {
			case l.Temp == nil, out < 5*time.Minute && (l.Verdict != rules.OK || l.DangerZone != 0 || l.Unknown != 0), out > 5*time.Minute && l.Unknown < out:
				t.Errorf("out for %v, afterwards %s, danger %v, unknown %v, %v", out, l.Verdict, l.DangerZone, l.Unknown, l.Temp)
			}
			if c := s.engine.State().Probes[0].Calibration; c == nil || !c.Pass || c.Ref != rules.RefIce || c.By != "R. Oduya" {
				t.Errorf("kept %+v", c)
			}
		})
	}
}

// stanzaIn is the line to be written in what was said; empty without one.
func stanzaIn(said string) string {
	_, line, _ := strings.Cut(said, "\n    calibration: ")
	line, _, _ = strings.Cut(line, "\n")
	return line
}

func mustConfig(t testing.TB, units rules.Units, correction string) *configs.Config {
	t.Helper()
	cfg, err := configs.Parse("kitchen.yaml", fmt.Appendf(nil, stoveConfig, units, correction))
	if err != nil {
		t.Fatalf("%s\n%v", correction, err)
	}
	return cfg
}

// A probe that is off fails, by the limit of the kitchen's unit, and what is then written makes it read right. Two
// checks far apart make a line. Water boils where the kitchen's height or its barometer says.
func TestGuidedFails(t *testing.T) {
	for _, tc := range []struct {
		name     string
		units    rules.Units
		water    func() (rules.Reference, sensor.Temp, string, error)
		off      sensor.Temp
		code     int
		says     string
		inRecord string
	}{
		{"Celsius, inside", rules.Celsius, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(true, false, "", "", "") }, 1000, exitOK, "1 °C too high: it passes (±1 °C", "read: 1.00C, true: 0.00C"},
		{"Celsius, outside", rules.Celsius, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(true, false, "", "", "") }, 1010, exitSilentProbe, "too high: it fails (±1 °C", "read: 1.01C, true: 0.00C"},
		{"Fahrenheit, inside", rules.Fahrenheit, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(true, false, "", "", "") }, -1111, exitOK, "2 °F too low: it passes (±2 °F", "read: 30.00F, true: 32.00F"},
		{"Fahrenheit, outside", rules.Fahrenheit, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(true, false, "", "", "") }, -1120, exitSilentProbe, "too low: it fails (±2 °F", "true: 32.00F"},
		{"a mile up", rules.Fahrenheit, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(false, true, "5280ft", "", "") }, 1500, exitSilentProbe, "in boiling water of 202.", "true: 202."},
		{"by the barometer", rules.Celsius, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(false, true, "", "834.3", "") }, 0, exitOK, "in boiling water of 94.", "true: 94."},
		{"a reference", rules.Celsius, func() (rules.Reference, sensor.Temp, string, error) { return knownTemp(false, false, "", "", "80C") }, -900, exitOK, "beside a reference thermometer at 80 °C, 0.9 °C too low: it passes", "read: 79.10C, true: 80.00C"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newStove(t, tc.units, "offset: 0C")
				c := &calibration{}
				var err error
				if c.ref, c.truth, c.prepare, err = tc.water(); err != nil {
					t.Fatal(err)
				}
				said, _, err := guided(t, s, c, func(func()) []func() bool {
					return []func() bool{func() bool { s.reads = stillAt(c.truth + tc.off); time.Sleep(10 * time.Second); return true }, func() bool { s.reads = stillAt(66_000); return true }}
				})
				if code(err) != tc.code || !strings.Contains(said, tc.says) || !strings.Contains(said, tc.inRecord) && tc.off != 0 {
					t.Fatalf("%v, want %d, %q and %q\n%s", err, tc.code, tc.says, tc.inRecord, said)
				}
				if s.sent[len(s.sent)-1] != "probe-in brisket" {
					t.Errorf("told %q", s.sent)
				}
				if tc.off == 0 {
					if strings.Contains(said, "calibration:") {
						t.Errorf("a probe that reads right is to be put right:\n%s", said)
					}
					return
				}
				set, err := mustConfig(t, tc.units, "calibration: "+stanzaIn(said)).Setup()
				if err != nil {
					t.Fatal(err)
				}
				if got, ok := set.Probes[0].Condition.Calibration.Correct(c.truth + tc.off); !ok || max(got-c.truth, c.truth-got) > 10 {
					t.Errorf("put right it reads %d, not %d", got, c.truth)
				}
			})
		})
	}
}

// Ctrl-C, or a terminal that goes away, at each prompt and in between: nothing is recorded by half. Food whose probe
// is known to be still in it goes back on watch; of other food it is said that it is not, and how to end that.
func TestGuidedStopped(t *testing.T) {
	const still = "brisket is still off watch. When its probe is back in it: holdbell mark probe-in --lot \"brisket\" --note probe=core"
	all := []string{"probe-out brisket", "calibrate ", "probe-in brisket"}
	for _, tc := range []struct {
		name string
		does func(s *stove, stop func()) []func() bool
		sent []string
		says string
		code int
	}{
		{"at the first prompt, nothing moved yet", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { stop(); return false }}
		}, []string{"probe-out brisket", "probe-in brisket"}, "", exitFailed},
		{"at the first prompt, already in the ice", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.reads = stillAt(0); time.Sleep(2 * time.Second); stop(); return false }}
		}, []string{"probe-out brisket"}, still, exitFailed},
		{"at the first prompt, in somebody's hand", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.reads = stillAt(30_000); time.Sleep(2 * time.Second); stop(); return false }}
		}, []string{"probe-out brisket"}, still, exitFailed},
		{"at the first prompt, and the probe is dead", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool {
				s.reads = func(time.Duration) sensor.Reading { return sensor.Reading{Fault: sensor.Open} }
				time.Sleep(10 * time.Second)
				stop()
				return false
			}}
		}, []string{"probe-out brisket"}, still, exitFailed},
		{"at the first prompt, and the daemon is gone", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.gone = true; stop(); return false }}
		}, []string{"probe-out brisket"}, still, exitFailed},
		{"while it comes to rest", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.settling(0); time.AfterFunc(5*time.Second, stop); return true }}
		}, []string{"probe-out brisket"}, still, exitFailed},
		{"at the second prompt", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.settling(0); return true }, func() bool { stop(); return false }}
		}, all[:2], still, exitOK},
		{"at the second prompt, with the probe back", func(s *stove, stop func()) []func() bool {
			return []func() bool{func() bool { s.settling(0); return true }, func() bool { s.settling(66_000); time.Sleep(time.Minute); stop(); return false }}
		}, all[:2], still, exitOK},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newStove(t, rules.Celsius, "offset: 0C")
				said, _, err := guided(t, s, &calibration{ref: rules.RefIce}, func(stop func()) []func() bool { return tc.does(s, stop) })
				if code(err) != tc.code || !slices.Equal(s.sent, tc.sent) {
					t.Errorf("%v, told %q, want %d and %q\n%s", err, s.sent, tc.code, tc.sent, said)
				}
				if strings.Contains(said, "still off watch") != (tc.says != "") || !strings.Contains(said, tc.says) {
					t.Errorf("said\n%s", said)
				}
				if err != nil && !strings.Contains(err.Error(), "nothing was recorded") {
					t.Errorf("%v", err)
				}
			})
		})
	}
}
