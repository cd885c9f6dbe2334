package ledger

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// faultyPaths are the ledger and the copy in the folder of a child of TestFaults, each in a folder of its own so that
// faults can be made in one of them alone.
func faultyPaths(folder string) (path, copyPath string) {
	return filepath.Join(folder, "ledger", "ledger.db"), filepath.Join(folder, "copy", "memory")
}

// lane is the store of a Writer whose every call to the file system comes from one thread: a tracer counts by thread.
type lane struct {
	*Ledger
	calls chan func()
}

func newLane() *lane {
	s := &lane{calls: make(chan func())}
	go func() {
		runtime.LockOSThread()
		for f := range s.calls {
			f()
		}
	}()
	return s
}

func (s *lane) do(f func()) {
	done := make(chan struct{})
	s.calls <- func() { defer close(done); f() }
	<-done
}

// try is do for what may fail, which is said.
func (s *lane) try(what string, f func() error) (err error) {
	s.do(func() { err = f() })
	if err != nil {
		fmt.Println("fails", what, strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return err
}

func (s *lane) Reopen() error    { return s.try("reopen", s.Ledger.Reopen) }
func (s *lane) StartAnew() error { return s.try("anew", s.Ledger.StartAnew) }
func (s *lane) Commit(ctx context.Context, b Batch) error {
	return s.try("commit", func() error { return s.Ledger.Commit(ctx, b) })
}
func (s *lane) Restore() (r *Restored, err error) {
	err = s.try("restore", func() (err error) { r, err = s.Ledger.Restore(); return err })
	return r, err
}
func (s *lane) Usage(ctx context.Context) (u Usage, err error) {
	s.do(func() { u, err = s.Ledger.Usage(ctx) })
	return u, err
}
func (s *lane) room() (free, disk int64, err error) {
	s.do(func() { free, disk, err = s.Ledger.room() })
	return free, disk, err
}
func (s *lane) tidy(ctx context.Context, k Keep) (more bool, err error) {
	err = s.try("keeping", func() (err error) { more, err = s.Ledger.tidy(ctx, k); return err })
	return more, err
}
func (s *lane) checkpoint(ctx context.Context) error {
	return s.try("checkpoint", func() error { return s.Ledger.checkpoint(ctx) })
}
func (s *lane) Close() error { return s.try("close", s.Ledger.Close) }

// Head is asked for by whoever is about to write a copy: that thread, too, shall be one to count by.
func (s *lane) Head() Head {
	runtime.LockOSThread()
	return s.Ledger.Head()
}

// works stand for the Engine: a memory that nobody guesses who missed an input, and events that come of it.
type works struct {
	Sweeps, Seq uint64
	Sum         [sha256.Size]byte
}

func revived(snapshot []byte) (*works, error) {
	w := new(works)
	if snapshot == nil {
		return w, nil
	}
	return w, json.Unmarshal(snapshot, w)
}

func (w *works) snapshot() ([]byte, error) { return json.Marshal(w) }

func (w *works) String() string { return fmt.Sprintf("%d %d %x", w.Sweeps, w.Seq, w.Sum[:8]) }

func (w *works) step(in rules.Input) (events []rules.Event) {
	w.Sweeps++
	text, err := json.Marshal([]any{w.Sum, in.Sweep.Readings, in.Marks, in.Notices})
	if err != nil {
		panic(err)
	}
	w.Sum = sha256.Sum256(text)
	n := len(in.Marks) + len(in.Notices)
	if w.Sweeps%83 == 0 {
		n++
	}
	for range n {
		w.Seq++
		ev := event(int(w.Seq))
		ev.At, ev.Since = in.Sweep.At, in.Sweep.At
		ev.Text = fmt.Sprintf("Event %d after %x.", ev.Seq, w.Sum[:8])
		events = append(events, ev)
	}
	return events
}

// contentOf tells one event from another under the same Seq.
func contentOf(ev rules.Event) string {
	ev.Unrecorded = false
	text, err := json.Marshal(ev)
	if err != nil {
		panic(err)
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

// life is one run of a daemon without its outside.
type life struct {
	t       *testing.T
	n       int
	lane    *lane
	w       *Writer
	works   *works
	carry   []rules.Event
	begun   time.Time
	layout  []string
	trouble bool
}

// faultChild lives twice in a folder, says what it told the outside, and never gives up.
func faultChild(t *testing.T, folder string) {
	synctest.Test(t, func(t *testing.T) {
		s := newLane()
		defer close(s.calls)
		one := begins(t, 1, s, folder)
		one.layout = twoProbes
		one.rounds(150, 40, 100)
		one.layout = []string{"air", "core", "cold"}
		one.rounds(130, 60)
		time.Sleep(75 * time.Minute) // nothing reads; what is old is thinned, and the log brought in
		one.rounds(65)
		one.ends()
		two := begins(t, 2, s, folder)
		two.layout = twoProbes
		two.rounds(75, 10)
		two.ends()
	})
}

// begins goes on from what the folder holds, as the daemon does.
func begins(t *testing.T, n int, s *lane, folder string) *life {
	path, copyPath := faultyPaths(folder)
	s.Ledger = New(path, Options{CopyPath: copyPath})
	_ = s.Reopen() // the watch goes on without it
	c := &life{t: t, n: n, lane: s, begun: time.Now()}
	s.do(func() {
		r, err := Resume(s.Ledger, copyPath)
		if r == nil {
			fmt.Println("fails resume", err)
			r = new(Restored)
		}
		if c.works, err = revived(r.Snapshot); err != nil {
			t.Error(err)
		}
		for in, err := range s.Inputs(r.Sweep, nil) {
			if errors.Is(err, ErrNotOpen) {
				break
			}
			if err != nil {
				fmt.Println("fails inputs", err)
				break
			}
			for _, ev := range c.works.step(in) {
				if ev.Seq > r.LastSeq {
					c.carry = append(c.carry, ev)
				}
			}
		}
		fmt.Println("begun")
		c.w = newWriter(s, WriterOptions{Resumed: *r, CopyPath: copyPath, Told: tells, Keep: Keep{Full: 2 * time.Minute, MinFree: 1}, Log: slog.New(slog.DiscardHandler)})
	})
	return c
}

func tells(events []rules.Event) {
	for _, ev := range events {
		word := "got"
		if ev.Unrecorded {
			word = "unrecorded"
		}
		fmt.Println(word, ev.Seq, contentOf(ev))
	}
}

// rounds are sweeps, one a second, with a mark at some of them.
func (c *life) rounds(n int, marks ...int) {
	for i := range n {
		now := time.Now()
		number := int(c.works.Sweeps) + 1
		in := rules.Input{Sweep: sweep(number, len(c.layout))}
		in.Sweep.At = sensor.Instant{Wall: now.UTC(), Mono: time.Minute + now.Sub(c.begun), Boot: sensor.BootID{byte(c.n)}, Believed: true}
		e := Entry{Probes: c.layout, Snapshot: c.works.snapshot}
		for _, at := range marks {
			if at == i {
				id := fmt.Sprintf("m%d-%d", c.n, number)
				m := mark(number, id)
				m.At = in.Sweep.At
				in.Marks = append(in.Marks, m)
				e.Durable = func() { fmt.Println("durable", id) }
			}
		}
		if err := c.w.Trouble(); (err != nil) != c.trouble {
			c.trouble = err != nil
			notice := rules.Notice{At: in.Sweep.At, Kind: rules.LedgerTrouble}
			if err != nil {
				notice.Text = err.Error()
			}
			in.Notices = append(in.Notices, notice)
		}
		e.Events = append(c.carry, c.works.step(in)...)
		c.carry = nil
		e.Input, e.Alarmed = in, c.trouble
		c.w.Add(e)
		// Trouble that the next try ends is gone with the next sweep.
		time.Sleep(time.Second / 2)
		if c.w.Trouble() != nil {
			fmt.Println("troubled")
		}
		time.Sleep(time.Second / 2)
	}
}

func (c *life) ends() {
	fmt.Println("closing")
	if err := c.w.Close(context.Background(), c.works.snapshot); err != nil {
		fmt.Println("unwritten", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	fmt.Println("end", c.works)
}
