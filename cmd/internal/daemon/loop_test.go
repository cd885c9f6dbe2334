package daemon

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/configs"
	"holdbell/publish/ledger"
	"holdbell/publish/page"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
	"holdbell/sensor"
)

// kitchen is the configuration of most tests: one warmer, one probe in its air and one in the food.
const kitchen = `
site: test
rules: { food_code: us-fda-2022 }
probes:
  - { name: air,  chip: max31855, bus: SPI0.0, type: K, offset: 0C }
  - { name: core, chip: max31855, bus: SPI0.1, type: K, offset: 0C }
stations:
  - { name: warmer, purpose: hot-holding, air: air, food: [core], setpoint: 150F, band: [140F, 165F] }
`

func parsed(t testing.TB, text string) *configs.Config {
	t.Helper()
	cfg, err := configs.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func newEngine(t testing.TB, cfg *configs.Config) *rules.Engine {
	t.Helper()
	setup, err := cfg.Setup()
	if err != nil {
		t.Fatal(err)
	}
	e, err := rules.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// bubble is the clock inside a synctest bubble.
func bubble() sensor.Instant {
	epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // where a bubble's clock starts
	now := time.Now().UTC().Round(0)
	return sensor.Instant{Wall: now, Mono: now.Sub(epoch), Boot: sensor.BootID{1}, Believed: true}
}

// oven is a source that sweeps once a second and reads what it is set to.
type oven struct {
	probes  int
	fahr    atomic.Int64
	reading time.Duration // how long the probes take to answer
	first   bool
}

func newOven(probes, fahrenheit int) *oven {
	o := &oven{probes: probes, first: true}
	o.fahr.Store(int64(fahrenheit))
	return o
}

func (o *oven) Next(ctx context.Context) (sensor.Sweep, error) {
	wait := time.Second
	if o.first {
		wait, o.first = 0, false
	}
	select {
	case <-time.After(wait - min(wait, o.reading)):
	case <-ctx.Done():
		return sensor.Sweep{}, ctx.Err()
	}
	at := bubble()
	time.Sleep(o.reading)
	s := sensor.Sweep{At: at}
	for range o.probes {
		s.Readings = append(s.Readings, sensor.Reading{Temp: sensor.FahrenheitLimit(int(o.fahr.Load()))})
	}
	return s, nil
}

// paper is a record in memory that can stall and fail.
type paper struct {
	mu      sync.Mutex
	stalled bool
	err     error
	entries []ledger.Entry
	waiting []func()
}

func (p *paper) Add(e ledger.Entry) {
	p.mu.Lock()
	defer p.mu.Unlock()
	e.Events = slices.Clone(e.Events)
	p.entries = append(p.entries, e)
	switch {
	case e.Durable == nil:
	case p.stalled:
		p.waiting = append(p.waiting, e.Durable)
	default:
		e.Durable()
	}
}

func (p *paper) Trouble() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

func (p *paper) set(stalled bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stalled, p.err = stalled, err
	if !stalled {
		for _, f := range p.waiting {
			f()
		}
		p.waiting = nil
	}
}

// stage is a loop on fakes.
type stage struct {
	*loop
	oven  *oven
	paper *paper
	stop  context.CancelFunc
	ended chan error
}

// newStage begins one whose probes take so long to answer, once change has had its way with it.
func newStage(t *testing.T, reading time.Duration, change ...func(*stage)) *stage {
	cfg := parsed(t, kitchen)
	s := &stage{oven: newOven(2, 150), paper: &paper{}, ended: make(chan error, 1)}
	s.oven.reading = reading
	s.loop = &loop{recent: new(remotewrite.Recent),
		source: s.oven, engine: newEngine(t, cfg), record: s.paper, probes: names(cfg),
		desk: newDesk(bubble, func() time.Duration { return 5 * time.Second }),
		show: func(*rules.State) {}, took: func(time.Duration) {}, alive: func(*rules.State) {}, between: func() {},
		log: slog.New(slog.DiscardHandler), state: new(atomic.Pointer[rules.State]),
	}
	for _, f := range change {
		f(s)
	}
	ctx, cancel := context.WithCancel(t.Context())
	s.stop = cancel
	go func() { s.ended <- s.run(ctx) }()
	return s
}

func (s *stage) events(kind rules.EventKind) []rules.Event {
	s.paper.mu.Lock()
	defer s.paper.mu.Unlock()
	var found []rules.Event
	for _, e := range s.paper.entries {
		for _, ev := range e.Events {
			if ev.Kind == kind {
				found = append(found, ev)
			}
		}
	}
	return found
}

func wait(d time.Duration) { time.Sleep(d); synctest.Wait() }

func TestLoopGoesOnWithoutARecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 0)
		wait(6 * time.Minute) // armed
		before := s.state.Load().Sweeps
		s.paper.set(true, errors.New("disk full"))
		s.oven.fahr.Store(120)
		wait(2 * time.Minute)
		st := s.state.Load()
		if st.Sweeps-before != 120 {
			t.Errorf("%d sweeps in two minutes", st.Sweeps-before)
		}
		if !standing(st, rules.BelowHotLimit) || !standing(st, rules.RecordTrouble) {
			t.Errorf("alarms: %+v", st.Alarms)
		}
		s.paper.set(false, nil)
		wait(3 * time.Minute)
		if standing(s.state.Load(), rules.RecordTrouble) {
			t.Error("record-trouble stands though the record is fine")
		}
		s.stop()
		if err := <-s.ended; err != nil {
			t.Error(err)
		}
	})
}

func standing(st *rules.State, name rules.AlarmName) bool {
	for i := range st.Alarms {
		if st.Alarms[i].Alarm == name && st.Alarms[i].Active {
			return true
		}
	}
	return false
}

func TestLoopAnswersMarksOnceDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 0)
		wait(10500 * time.Millisecond)
		begun := time.Now()
		load := rules.Mark{Kind: rules.MarkLoad, Lot: "ribs", Station: "warmer", By: "A", ID: "one"}
		text, err := s.desk.Mark(t.Context(), load)
		if err != nil || !strings.Contains(text, "ribs") {
			t.Fatalf("%q, %v", text, err)
		}
		if d := time.Since(begun); d != 500*time.Millisecond {
			t.Errorf("answered after %v, the next sweep was 500ms away", d)
		}
		if text, err = s.desk.Mark(t.Context(), load); err != nil || text != alreadyRecorded {
			t.Errorf("a repeated mark is answered with %q, %v", text, err)
		}
		var refused *page.RefusedError
		if _, err = s.desk.Mark(t.Context(), rules.Mark{Kind: rules.MarkClose, Lot: "nothing"}); !errors.As(err, &refused) {
			t.Errorf("an unknown lot is answered with %v", err)
		}
		s.paper.set(true, nil)
		begun = time.Now()
		if _, err = s.desk.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote, Station: "warmer"}); !errors.Is(err, ErrUnrecorded) {
			t.Errorf("an unrecorded mark is answered with %v", err)
		}
		if d := time.Since(begun); d != 5*time.Second {
			t.Errorf("waited %v", d)
		}
		s.paper.set(false, nil)
		s.stop()
		<-s.ended
		s.desk.close()
		if _, err = s.desk.Mark(t.Context(), load); !errors.Is(err, ErrStopping) {
			t.Errorf("a mark after the end is answered with %v", err)
		}
	})
}

// TestLoopHoldsLateMarksBack: a mark that arrives while the probes are being read enters with the next
// sweep, for its time lies after this one's.
func TestLoopHoldsLateMarksBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 400*time.Millisecond)
		wait(10*time.Second + 200*time.Millisecond)
		at := s.state.Load().At
		// The sweep under way has been stamped and its probes are being read.
		_, err := s.desk.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote, Station: "warmer", ID: "late"})
		if err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		for _, ev := range s.events(rules.MarkTaken) {
			if d, _ := ev.At.Sub(ev.Since); d < 0 {
				t.Errorf("the mark of %v entered with the sweep of %v", ev.Since.Mono, ev.At.Mono)
			}
			if d, _ := ev.At.Sub(at); d != 2*time.Second {
				t.Errorf("it entered %v after the sweep before, not two", d)
			}
		}
		if len(s.events(rules.MarkTaken)) != 1 {
			t.Errorf("%d marks taken", len(s.events(rules.MarkTaken)))
		}
		s.stop()
		<-s.ended
	})
}

func TestDeskTurnsAFloodAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(bubble, func() time.Duration { return 5 * time.Second })
		errs := make(chan error, 2*maxMarks)
		for range 2 * maxMarks {
			go func() {
				_, err := d.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote})
				errs <- err
			}()
		}
		busy, unanswered := 0, 0
		for range 2 * maxMarks {
			switch err := <-errs; {
			case errors.Is(err, ErrBusy):
				busy++
			case errors.Is(err, ErrUnanswered):
				unanswered++
			default:
				t.Errorf("%v", err)
			}
		}
		if busy != maxMarks || unanswered != maxMarks {
			t.Errorf("%d turned away, %d unanswered, of %d", busy, unanswered, 2*maxMarks)
		}
	})
}

// ended is a source that fails, or is over.
type ended struct{ err error }

func (e ended) Next(context.Context) (sensor.Sweep, error) { return sensor.Sweep{}, e.err }

func TestLoopEnds(t *testing.T) {
	broken := errors.New("broken")
	for _, c := range []struct{ source, want error }{{io.EOF, nil}, {broken, broken}} {
		l := &loop{source: ended{c.source}}
		if err := l.run(t.Context()); !errors.Is(err, c.want) {
			t.Errorf("%v ends the loop with %v", c.source, err)
		}
	}
}

// TestLoopStampsAfterTheLastSweep: a mark that is stamped in the very millisecond of a sweep that was
// judged without it has to lie after it.
func TestLoopStampsAfterTheLastSweep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 0)
		wait(10 * time.Second)
		at := s.state.Load().At
		if bubble() != at {
			t.Fatal("the sweep is not of this very moment")
		}
		if _, err := s.desk.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote, Station: "warmer"}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		taken := s.events(rules.MarkTaken)
		if len(taken) != 1 {
			t.Fatalf("%d marks were taken", len(taken))
		}
		if d, _ := taken[0].Since.Sub(at); d != time.Millisecond {
			t.Errorf("the mark lies %v after the sweep", d)
		}
		s.stop()
		<-s.ended
	})
}
