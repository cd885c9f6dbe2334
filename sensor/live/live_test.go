package live

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/sensortest"
)

// clock stamps with the bubble's time.
func clock() func() sensor.Instant {
	began := time.Now()
	return func() sensor.Instant {
		return sensor.Instant{Wall: time.Now().UTC(), Mono: time.Since(began), Believed: true}
	}
}

func fake(place string, steps ...sensortest.Step) *sensortest.Fake {
	return &sensortest.Fake{Place: place, Steps: steps}
}

func source(t testing.TB, period time.Duration, log *slog.Logger, probes ...sensor.Probe) sensor.Source {
	t.Helper()
	var named []Named
	for i, p := range probes {
		named = append(named, Named{fmt.Sprintf("p%d", i), p})
	}
	s, err := New(named, period, clock(), log)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func next(t testing.TB, s sensor.Source) sensor.Sweep {
	t.Helper()
	sweep, err := s.Next(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return sweep
}

// lines keeps a log without its times.
type lines struct{ bytes.Buffer }

func (l *lines) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(&l.Buffer, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}}))
}

func (l *lines) take() []string {
	all := slices.Collect(strings.Lines(l.String()))
	l.Reset()
	for i := range all {
		all[i] = strings.TrimSpace(all[i])
	}
	return all
}

func TestCadence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := source(t, time.Second, nil, fake("SPI0.0", sensortest.Good(65_000)), fake("SPI0.1", sensortest.Bad(sensor.Open)),
			fake("SPI1.0", sensortest.Good(-18_000)))
		for i := range 10 {
			sweep := next(t, s)
			if sweep.At.Mono != time.Duration(i)*time.Second {
				t.Errorf("sweep %d at %v", i, sweep.At.Mono)
			}
			want := []sensor.Reading{{Temp: 65_000}, sensor.Bad(sensor.Open), {Temp: -18_000}}
			if !slices.Equal(sweep.Readings, want) {
				t.Errorf("%v", sweep.Readings)
			}
		}
		// Away for 3.3 s: one sweep at once, the missed ones left out, then the old rhythm.
		time.Sleep(3300 * time.Millisecond)
		for _, want := range []time.Duration{12300 * time.Millisecond, 13 * time.Second, 14 * time.Second} {
			if sweep := next(t, s); sweep.At.Mono != want {
				t.Errorf("at %v, not %v", sweep.At.Mono, want)
			}
		}
	})
}

// TestSlowProbe has one of four take longer than it may: the others keep their interval and their freshness.
func TestSlowProbe(t *testing.T) {
	for _, c := range []struct {
		name  string
		delay time.Duration
		late  time.Duration // of the second and later sweeps' end
		want  sensor.Fault
	}{
		{"quick", time.Millisecond, time.Millisecond, sensor.None},
		{"slow but in time", 700 * time.Millisecond, 700 * time.Millisecond, sensor.None},
		{"blocks for the whole period", time.Second, 0, sensor.Stale},
		{"blocks for more", 5 * time.Second, 0, sensor.Stale},
	} {
		synctest.Test(t, func(t *testing.T) {
			slow := fake("SPI0.0", sensortest.Step{Reading: sensor.Reading{Temp: 1}, Delay: c.delay})
			quick := fake("SPI1.0", sensortest.Good(2))
			s := source(t, time.Second, nil, quick, slow, another(), another())
			for i := range 20 {
				sweep := next(t, s)
				if sweep.At.Mono != time.Duration(i)*time.Second {
					t.Errorf("%s: sweep %d at %v", c.name, i, sweep.At.Mono)
				}
				for j, r := range sweep.Readings {
					if want := map[bool]sensor.Fault{true: c.want}[j == 1]; r.Fault != want {
						t.Errorf("%s: sweep %d, probe %d: %v", c.name, i, j, r)
					}
				}
				if took := s.(*Source).now().Mono - sweep.At.Mono; i > 0 && took != c.late {
					t.Errorf("%s: sweep %d handed in after %v", c.name, i, took)
				}
			}
			time.Sleep(time.Minute) // for reads under way
		})
	}
}

func another() *sensortest.Fake { return fake("SPI2.0", sensortest.Good(3)) }

func TestHungProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		hung := fake("SPI0.0", sensortest.Good(1), sensortest.Step{Reading: sensor.Reading{Temp: 2}, Hang: release}, sensortest.Good(3))
		var log lines
		s := source(t, time.Second, log.logger(), hung, fake("SPI1.0", sensortest.Good(4)))
		if sweep := next(t, s); !sweep.Readings[0].Valid() {
			t.Fatal(sweep)
		}
		next(t, s) // hangs
		synctest.Wait()
		before := runtime.NumGoroutine()
		for i := range 1000 {
			sweep := next(t, s)
			if sweep.Readings[0] != sensor.Bad(sensor.Stale) || sweep.Readings[1].Temp != 4 {
				t.Fatal(sweep.Readings)
			}
			if sweep.At.Mono != time.Duration(i+2)*time.Second {
				t.Fatalf("sweep %d at %v", i, sweep.At.Mono)
			}
		}
		synctest.Wait()
		if n := runtime.NumGoroutine(); n > before+5 { // the runtime has some of its own
			t.Errorf("%d goroutines, %d before", n, before)
		}
		if hung.Reads() != 2 {
			t.Errorf("%d reads stacked on a hung one", hung.Reads())
		}
		if got := log.take(); len(got) != 1 || !strings.Contains(got[0], `probe=p0 fault=stale error="no answer in time"`) {
			t.Errorf("%q", got)
		}
		// Awake: what it answers to a question of long ago is no reading, the next answer is.
		close(release)
		synctest.Wait()
		var got []sensor.Temp
		for range 4 {
			sweep := next(t, s)
			got = append(got, sweep.Readings[0].Temp)
		}
		if slices.Contains(got, 2) || got[3] != 3 {
			t.Errorf("%v", got)
		}
		if got := log.take(); len(got) != 1 || !strings.Contains(got[0], "answers again") {
			t.Errorf("%q", got)
		}
	})
}

// TestAnswerOfAnEarlierSweep has one arrive while a sweep waits for another probe.
func TestAnswerOfAnEarlierSweep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		hung := fake("SPI0.0", sensortest.Step{Reading: sensor.Reading{Temp: 1}, Hang: release}, sensortest.Good(2))
		slow := fake("SPI1.0", sensortest.Step{Reading: sensor.Reading{Temp: 3}, Delay: 500 * time.Millisecond})
		s := source(t, time.Second, nil, hung, slow)
		next(t, s)
		time.AfterFunc(300*time.Millisecond, func() { close(release) })
		for i, want := range []sensor.Reading{sensor.Bad(sensor.Stale), {Temp: 2}} {
			if sweep := next(t, s); sweep.Readings[0] != want || sweep.Readings[1].Temp != 3 {
				t.Errorf("sweep %d: %v", i+1, sweep.Readings)
			}
		}
	})
}

// deaf is a probe on a wedged bus: it returns at its deadline with the transport's words.
type deaf struct{ sensor.Probe }

func (d deaf) Read(ctx context.Context) (sensor.Reading, error) {
	<-ctx.Done()
	return sensor.Bad(sensor.Stale), fmt.Errorf("%v: a transaction holds the bus: %w", d, ctx.Err())
}

func TestWedgedBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log lines
		s := source(t, time.Second, log.logger(), deaf{fake("SPI0.0")}, deaf{fake("SPI0.1")}, fake("SPI1.0", sensortest.Good(4)))
		for i := range 50 {
			sweep := next(t, s)
			if sweep.Readings[0].Fault != sensor.Stale || sweep.Readings[1].Fault != sensor.Stale || sweep.Readings[2].Temp != 4 {
				t.Fatal(sweep.Readings)
			}
			if took := s.(*Source).now().Mono - sweep.At.Mono; i > 0 && took != 0 {
				t.Errorf("sweep %d waited %v for a bus known to hang", i, took)
			}
		}
		got := log.take()
		if len(got) != 2 || !strings.Contains(got[0], "probe=p0") || !strings.Contains(got[1], "probe=p1") {
			t.Errorf("%q", got)
		}
		for _, line := range got {
			if !strings.Contains(line, "a transaction holds the bus") {
				t.Errorf("%s", line)
			}
		}
		time.Sleep(time.Minute)
	})
}

func TestContractBreakers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := source(t, time.Second, nil,
			fake("SPI0.0", sensortest.Step{Reading: sensor.Reading{Temp: 5}, Err: errors.New("valid, with an error")}),
			fake("SPI0.1", sensortest.Step{Reading: sensor.Reading{Temp: 5, Fault: sensor.Open}}),
			silent{fake("SPI1.0")})
		want := []sensor.Reading{sensor.Bad(sensor.BusFault), sensor.Bad(sensor.Open), sensor.Bad(sensor.Range)}
		if sweep := next(t, s); !slices.Equal(sweep.Readings, want) {
			t.Error(sweep.Readings)
		}
	})
}

// silent gives a fault without an error.
type silent struct{ sensor.Probe }

func (silent) Read(context.Context) (sensor.Reading, error) {
	return sensor.Reading{Temp: 9, Fault: sensor.Range}, nil
}

func TestStopping(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := fake("SPI0.0", sensortest.Step{Delay: time.Hour})
		s := source(t, time.Second, nil, slow)
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		began := time.Now()
		if _, err := s.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("in a read: %v", err)
		}
		if _, err := s.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("asleep: %v", err)
		}
		if took := time.Since(began); took != 300*time.Millisecond {
			t.Errorf("took %v", took)
		}
	})
}

func TestLogOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		say := func(f sensor.Fault, words string) sensortest.Step {
			return sensortest.Step{Reading: sensor.Bad(f), Err: errors.New(words)}
		}
		p := fake("SPI0.0",
			say(sensor.Stale, "first conversion under way"), // said of a fresh chip, hence nothing to log
			sensortest.Good(1), sensortest.Good(1),
			say(sensor.BusFault, "cold junction at 127.94"), say(sensor.BusFault, "cold junction at -0.5"), say(sensor.BusFault, "word 0xfe12"),
			say(sensor.Open, "word 0x12"), say(sensor.Open, "word 0xff3e"), sensortest.Good(2), sensortest.Good(2))
		var log lines
		s := source(t, time.Second, log.logger(), p)
		var got [][]string
		for range 10 {
			next(t, s)
			got = append(got, log.take())
		}
		want := []string{"", "", "", "127.94", "", "0xfe12", "fault=open", "", "answers again", ""}
		for i, w := range want {
			if w == "" && len(got[i]) != 0 || w != "" && (len(got[i]) != 1 || !strings.Contains(got[i][0], w)) {
				t.Errorf("sweep %d: %q, not %q", i, got[i], w)
			}
		}
	})
}

func TestFlickeringProbeDoesNotFillTheLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := fake("SPI0.0")
		for range 43_200 {
			p.Steps = append(p.Steps, sensortest.Good(1), sensortest.Bad(sensor.Open))
		}
		p.Steps = append(p.Steps, sensortest.Good(1))
		var log lines
		s := source(t, time.Second, log.logger(), p)
		for range 86_400 {
			next(t, s)
		}
		if n := len(log.take()); n < 24*60 || n > linesAMinute*(24*60+1) {
			t.Errorf("%d lines a day", n)
		}
		// What is logged last is how it is, once the minute is over.
		for range 120 {
			next(t, s)
		}
		if got := log.take(); len(got) > 1 || len(got) == 1 && !strings.Contains(got[0], "answers again") {
			t.Errorf("%q", got)
		}
		if st := s.(*Source).report.states[0]; st.fault != sensor.None {
			t.Errorf("last logged %v", st.fault)
		}
	})
}

func TestGroundLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gnd, ok := sensortest.Bad(sensor.ShortGND), sensortest.Good(1)
		var log lines
		s := source(t, time.Second, log.logger(),
			fake("SPI0.0", gnd, gnd, gnd, ok, gnd),
			fake("SPI0.1", ok, gnd, gnd, ok, gnd),
			fake("SPI1.0", gnd))
		for i, want := range []int{0, 1, 0, 0, 1} {
			next(t, s)
			n := 0
			for _, l := range log.take() {
				if strings.Contains(l, "possible ground loop") {
					n++
					if !strings.Contains(l, "bus=SPI0 probes=2") {
						t.Errorf("%s", l)
					}
				}
			}
			if n != want {
				t.Errorf("sweep %d: said %d times", i, n)
			}
		}
	})
}

func TestNew(t *testing.T) {
	p := fake("SPI0.0", sensortest.Good(1))
	slow := &sensortest.Fake{Place: "SPI0.1", Interval: 800 * time.Millisecond, Steps: p.Steps}
	for _, c := range []struct {
		probes []Named
		period time.Duration
		now    func() sensor.Instant
		want   []string
	}{
		{[]Named{{"a", p}}, 0, clock(), []string{"period"}},
		{[]Named{{"a", p}}, time.Second, nil, []string{"clock"}},
		{[]Named{{"", p}}, time.Second, clock(), []string{"no name"}},
		{[]Named{{"a", p}, {"a", slow}}, time.Second, clock(), []string{"two probes", "a"}},
		{[]Named{{"a", nil}}, time.Second, clock(), []string{"a is not there"}},
		{[]Named{{"air", p}, {"core", slow}}, 500 * time.Millisecond, clock(), []string{"500ms", "800ms", "core", "SPI0.1"}},
	} {
		_, err := New(c.probes, c.period, c.now, nil)
		if err == nil {
			t.Errorf("%v: no error", c.want)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%v: says nothing of %q", err, w)
			}
		}
	}
	synctest.Test(t, func(t *testing.T) {
		if sweep := next(t, source(t, time.Second, nil)); len(sweep.Readings) != 0 {
			t.Error("a kitchen without probes has readings")
		}
	})
}

// TestAnyMixOfDelays holds the laws of a sweep for probes that take any time at all.
func TestAnyMixOfDelays(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(rt, "probes")
		probes := make([]sensor.Probe, n)
		delays := make([][]int, n)
		for i := range probes {
			delays[i] = rapid.SliceOfN(rapid.IntRange(0, 3000), 1, 12).Draw(rt, "delays")
			f := fake("SPI0.0")
			for j, ms := range delays[i] {
				f.Steps = append(f.Steps, sensortest.Step{Reading: sensor.Reading{Temp: sensor.Temp(j + 1)}, Delay: time.Duration(ms) * time.Millisecond})
			}
			probes[i] = f
		}
		var broken string
		synctest.Test(t, func(t *testing.T) {
			s := source(t, time.Second, nil, probes...)
			last := make([]sensor.Temp, n)
			for k := range 15 {
				sweep := next(t, s)
				if sweep.At.Mono != time.Duration(k)*time.Second {
					broken = fmt.Sprintf("sweep %d at %v", k, sweep.At.Mono)
				}
				for i, r := range sweep.Readings {
					steps := sensor.Temp(len(delays[i]))
					switch {
					case r.Valid() && r.Temp <= last[i] && r.Temp != steps:
						broken = fmt.Sprintf("sweep %d, probe %d: reading %d after %d", k, i, r.Temp, last[i])
					case r.Valid() && delays[i][r.Temp-1] > 800:
						broken = fmt.Sprintf("sweep %d, probe %d: a reading that took %d ms", k, i, delays[i][r.Temp-1])
					case !r.Valid() && r != sensor.Bad(sensor.Stale):
						broken = fmt.Sprintf("sweep %d, probe %d: %v", k, i, r)
					}
					if r.Valid() {
						last[i] = r.Temp
					}
				}
			}
			time.Sleep(time.Minute)
		})
		if broken != "" {
			rt.Fatal(broken)
		}
	})
}

func BenchmarkSweepOf8(b *testing.B) {
	var probes []sensor.Probe
	for range 8 {
		probes = append(probes, &sensortest.Fake{Interval: 1, Steps: []sensortest.Step{sensortest.Good(65_000)}})
	}
	s := source(b, time.Microsecond, nil, probes...)
	b.ReportAllocs()
	for b.Loop() {
		next(b, s)
	}
}
