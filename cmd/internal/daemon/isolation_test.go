package daemon

import (
	"context"
	"crypto/rand"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"modernc.org/sqlite"

	"holdbell/publish/ledger"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/live"
	"holdbell/sensor/sensortest"
)

// cadence keeps when the sweeps came, and the longest time between two.
type cadence struct {
	sweeps  int
	last    time.Time
	longest time.Duration
}

// watch has the stage's loop beat time, beside what it does already.
func (c *cadence) watch(s *stage) {
	before := s.alive
	s.alive = func(st *rules.State) {
		now := time.Now()
		if c.sweeps++; c.sweeps > 1 {
			c.longest = max(c.longest, now.Sub(c.last))
		}
		c.last = now
		before(st)
	}
}

// steady wants a sweep a second for so long: none was later than a period, none was left out for good.
func (c *cadence) steady(t *testing.T, d time.Duration) {
	t.Helper()
	if c.longest > 2*time.Second || c.sweeps < int(d/time.Second)-1 {
		t.Errorf("%d sweeps in %v, the longest pause between two %v", c.sweeps, d, c.longest)
	}
}

// TestAHungBusDelaysNoSweep: one probe's bus never answers again and heeds no deadline. The other probe's food falls
// below its limit, which rings.
func TestAHungBusDelaysNoSweep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		never := make(chan struct{})
		good := sensor.Reading{Temp: sensor.FahrenheitLimit(150)}
		hangs := &sensortest.Fake{Place: "SPI0.0", Steps: []sensortest.Step{{Reading: good}, {Hang: never}}}
		core := &sensortest.Fake{Place: "SPI0.1"}
		for range 400 {
			core.Steps = append(core.Steps, sensortest.Step{Reading: good})
		}
		core.Steps = append(core.Steps, sensortest.Good(sensor.FahrenheitLimit(120)))
		source, err := live.New([]live.Named{{Name: "air", Probe: hangs}, {Name: "core", Probe: core}}, time.Second, bubble, nil)
		if err != nil {
			t.Fatal(err)
		}
		var c cadence
		s := newStage(t, 0, func(s *stage) { s.source = source }, c.watch)
		wait(10 * time.Minute)
		c.steady(t, 10*time.Minute)
		if st := s.state.Load(); !standing(st, rules.BelowHotLimit) || !standing(st, rules.ProbeFault) {
			t.Errorf("alarms: %+v", st.Alarms)
		}
		if hangs.Reads() != 2 {
			t.Errorf("a bus that hangs was asked %d times", hangs.Reads())
		}
		close(never)
		s.stop()
		<-s.ended
	})
}

// stuffed is a browser that takes nothing of what is written to it, until it is let go.
type stuffed struct {
	http.ResponseWriter
	let     chan struct{}
	reached chan struct{}
}

func (s *stuffed) Write(b []byte) (int, error) {
	select {
	case s.reached <- struct{}{}:
	default:
	}
	<-s.let
	return 0, errors.New("gone")
}

// TestASlowBrowserDelaysNoSweep: forty browsers ask for everything there is and read none of it.
func TestASlowBrowserDelaysNoSweep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, err := page.New(page.Options{Now: bubble})
		if err != nil {
			t.Fatal(err)
		}
		var c cadence
		s := newStage(t, 0, func(s *stage) { s.show = p.Show }, c.watch)
		wait(10 * time.Second)
		let := make(chan struct{})
		ctx, leave := context.WithCancel(t.Context())
		handler := p.Handler()
		var wg sync.WaitGroup
		for _, path := range []string{"/", "/state", "/live?view=rail", "/board"} {
			for range 10 {
				w := &stuffed{ResponseWriter: httptest.NewRecorder(), let: let, reached: make(chan struct{}, 1)}
				wg.Go(func() {
					r := httptest.NewRequestWithContext(ctx, http.MethodGet, path, nil)
					r.RemoteAddr, r.Host = "127.0.0.1:4000", "localhost"
					handler.ServeHTTP(w, r)
				})
				synctest.Wait()
				if len(w.reached) == 0 {
					t.Errorf("%s writes nothing that could be read slowly", path)
				}
			}
		}
		s.oven.fahr.Store(120)
		wait(10 * time.Minute)
		c.steady(t, 10*time.Minute)
		leave()
		close(let)
		wg.Wait()
		s.stop()
		<-s.ended
	})
}

// TestAThousandMarksASecondDelayNoSweep: what the desk cannot take it says so at once, and every mark that it took
// is in the record, once.
func TestAThousandMarksASecondDelayNoSweep(t *testing.T) {
	const span = 20 * time.Second
	synctest.Test(t, func(t *testing.T) {
		var c cadence
		s := newStage(t, 0, c.watch)
		var mu sync.Mutex
		taken, busy := map[string]bool{}, 0
		var wg sync.WaitGroup
		sent := 0
		for begun := time.Now(); time.Since(begun) < span; sent++ {
			id := fmt.Sprint("m", sent)
			wg.Go(func() {
				_, err := s.desk.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote, Station: "warmer", ID: id})
				mu.Lock()
				defer mu.Unlock()
				switch {
				case err == nil:
					taken[id] = true
				case errors.Is(err, ErrBusy):
					busy++
				default:
					t.Errorf("%s: %v", id, err)
				}
			})
			wait(time.Millisecond)
		}
		wg.Wait()
		c.steady(t, span)
		events := s.events(rules.MarkTaken)
		for _, ev := range events {
			if !taken[ev.Mark] {
				t.Errorf("%s is in the record, and nobody was told", ev.Mark)
			}
		}
		if len(events) != len(taken) || len(taken)+busy != sent || len(taken) < int(span/time.Second-1)*maxMarks {
			t.Errorf("of %d marks %d were taken, %d turned away, %d recorded", sent, len(taken), busy, len(events))
		}
		s.stop()
		<-s.ended
	})
}

// TestABrokerThatNeverAnswersDelaysNoSweep: it accepts the connection and says nothing. The watch goes round, rings
// elsewhere, and answers marks.
func TestABrokerThatNeverAnswersDelaysNoSweep(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	accepted := make(chan net.Conn, 64)
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				close(accepted)
				return
			}
			accepted <- conn
		}
	}()
	source := newLine(noon(), 2, true).play(400, 150)
	text := onPort("127.0.0.1:0") + fmt.Sprintf("  mqtt: { broker: %q }\n", "tcp://"+l.Addr().String())
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"), always(source))
	conn := <-accepted
	defer conn.Close()
	source.play(200, 120)
	r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	eventually(t, "every sweep went through", func() bool { st := r.state.Load(); return st != nil && st.Sweeps == 600 })
	answer := make(chan error, 1)
	go func() {
		_, err := r.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote, Station: "warmer", ID: "one"})
		answer <- err
	}()
	eventually(t, "the mark is answered", func() bool {
		source.play(1, 120)
		select {
		case err := <-answer:
			if err != nil {
				t.Error(err)
			}
			return true
		default:
			return false
		}
	})
	if n := r.outputs.Load().pending()["mqtt"]; n == 0 {
		t.Error("no event waits for a broker that never answered")
	}
	r.end()
}

// stalling makes a function of SQL that waits until let is closed, once on is set. A trigger that calls it holds a
// commit up in its midst, as a card that does not answer would.
func stalling(t *testing.T, on *atomic.Bool, let chan struct{}) (name string) {
	t.Helper()
	name = "stall_" + rand.Text()
	err := sqlite.RegisterScalarFunction(name, 0, func(*sqlite.FunctionContext, []driver.Value) (driver.Value, error) {
		if on.Load() {
			<-let
		}
		return int64(0), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// TestAStalledLedgerDelaysNoSweep: for ten seconds no commit comes back.
// Events are told after a second as unrecorded, record-trouble is raised, the watchdog is fed; afterwards all of it is
// recorded, and the trouble ends.
func TestAStalledLedgerDelaysNoSweep(t *testing.T) {
	path := filepath.Join(t.TempDir(), "l.db")
	synctest.Test(t, func(t *testing.T) {
		var on atomic.Bool
		let := make(chan struct{})
		stall := stalling(t, &on, let)
		book, err := ledger.Open(path, ledger.Options{})
		if err != nil {
			t.Fatal(err)
		}
		type heard struct {
			ev rules.Event
			at time.Time
		}
		var mu sync.Mutex
		var told []heard
		writer := ledger.NewWriter(book, ledger.WriterOptions{Told: func(events []rules.Event) {
			mu.Lock()
			defer mu.Unlock()
			for _, ev := range events {
				told = append(told, heard{ev, time.Now()})
			}
		}})
		fed := 0
		d := &Daemon{made: time.Now(), notify: &notifier{alive: make(chan struct{}, 1), say: make(chan string, 1024)}}
		o := &outputs{}
		o.guards.Store(new([]*guard))
		d.outputs.Store(o)
		var c cadence
		s := newStage(t, 0, func(s *stage) {
			s.record, s.state = writer, &d.state
			s.alive = func(st *rules.State) {
				d.alive(st)
				select {
				case <-d.notify.alive:
					fed++
				default:
				}
			}
		}, c.watch)
		wait(6 * time.Minute) // armed

		other, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		_, err = other.Exec("CREATE TRIGGER stall AFTER INSERT ON chain BEGIN SELECT " + stall + "(); END")
		if err = errors.Join(err, other.Close()); err != nil {
			t.Fatal(err)
		}
		on.Store(true)
		stalled := time.Now()
		s.oven.fahr.Store(120)
		wait(10 * time.Second)
		if !standing(d.state.Load(), rules.RecordTrouble) {
			t.Error("the record stalls, and nobody says so")
		}
		if err := writer.Trouble(); !errors.Is(err, ledger.ErrStalled) {
			t.Errorf("the record's trouble is %v", err)
		}
		on.Store(false)
		close(let)
		wait(5 * time.Minute)
		c.steady(t, 11*time.Minute)
		if fed != c.sweeps {
			t.Errorf("the watchdog was fed %d times in %d sweeps", fed, c.sweeps)
		}
		if standing(d.state.Load(), rules.RecordTrouble) {
			t.Error("record-trouble stands though the record is fine")
		}
		s.stop()
		<-s.ended
		if err := writer.Close(context.Background(), s.engine.Snapshot); err != nil {
			t.Fatal(err)
		}
		late, trouble := 0, 0
		for _, h := range told {
			if h.ev.Alarm == rules.RecordTrouble && (h.ev.Kind == rules.AlarmRaised || h.ev.Kind == rules.AlarmCleared) {
				trouble++
			}
			after := h.at.Sub(h.ev.At.Wall)
			if after > time.Second {
				t.Errorf("event %d was told %v after its sweep", h.ev.Seq, after)
			}
			if h.ev.Unrecorded {
				if late++; after != time.Second || h.at.Before(stalled) || h.at.After(stalled.Add(time.Minute)) {
					t.Errorf("event %d was told as unrecorded %v after its sweep, %v after the stall", h.ev.Seq, after, h.at.Sub(stalled))
				}
			}
		}
		if late == 0 || trouble != 2 {
			t.Errorf("%d events were told as unrecorded, record-trouble came and went in %d events", late, trouble)
		}
		again, err := ledger.Open(path, ledger.Options{})
		if err != nil {
			t.Fatal(err)
		}
		recorded, err := again.Events(t.Context(), 0, len(told)+1)
		if err = errors.Join(err, again.Close()); err != nil || len(recorded) != len(told) {
			t.Fatalf("%d events of %d told are recorded: %v", len(recorded), len(told), err)
		}
		for i := range recorded {
			if recorded[i].Seq != told[i].ev.Seq || recorded[i].Unrecorded != told[i].ev.Unrecorded {
				t.Errorf("event %d was recorded as %d, unrecorded %v after %v", told[i].ev.Seq, recorded[i].Seq, recorded[i].Unrecorded, told[i].ev.Unrecorded)
			}
		}
	})
}
