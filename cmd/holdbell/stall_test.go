package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/publish/page"
	"holdbell/rules"
)

// stallFor is how long the disk does not answer.
const stallFor = 10 * time.Second

// TestAStalledDisk runs the whole daemon on a disk that does not answer for ten seconds: strace holds a call of the
// record's up on its way into the kernel. Meanwhile the sweeps go on, the watchdog is fed, events are told after a
// second as unrecorded, and record-trouble is raised; afterwards all of it is in the record, and the trouble ends.
func TestAStalledDisk(t *testing.T) {
	if out, err := exec.Command("strace", "-f", "-o", os.DevNull, "true").CombinedOutput(); err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatalf("strace: %v %s; apt-get install strace, and let this user trace", err, out)
		}
		t.Skipf("strace: %v %s; apt-get install strace, and let this user trace", err, out)
	}
	// The threads of the daemon take turns at the record, and strace counts by thread: somewhere in the work of the
	// first that comes so far.
	for call, n := range map[string]int{"fsync": 8, "pwrite64": 120} {
		t.Run(call, func(t *testing.T) {
			t.Parallel()
			const tries = 3
			for try := 1; ; try++ {
				longest, before := stall(t, call, n)
				t.Logf("%s stood still: the longest time between two sweeps was %v, without that %v", call, longest, before)
				if longest < 2*time.Second || t.Failed() {
					return
				}
				// The machine may have been busy with something else; a loop that waits for the disk waits every time.
				if try == tries {
					t.Errorf("in each of %d stalls a sweep came late, in this by %v", tries, longest-time.Second)
					return
				}
			}
		})
	}
}

// manager is a service manager that keeps when the watchdog was fed.
type manager struct {
	mu  sync.Mutex
	fed []time.Time
}

func (m *manager) listen(t *testing.T, path string) {
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	go func() {
		for buf := make([]byte, 512); ; {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			if string(buf[:n]) == "WATCHDOG=1" {
				m.mu.Lock()
				m.fed = append(m.fed, time.Now())
				m.mu.Unlock()
			}
		}
	}()
}

// during counts how often the watchdog was fed in a span.
func (m *manager) during(from, to time.Time) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, at := range m.fed {
		if at.After(from) && at.Before(to) {
			n++
		}
	}
	return n
}

// stall runs one daemon with one call held up, and gives the longest time between two recorded sweeps: from just
// before to just after, and in all the rest.
func stall(t *testing.T, call string, n int) (longest, before time.Duration) {
	v := newVictim(t)
	text, err := os.ReadFile(v.config)
	if err != nil {
		t.Fatal(err)
	}
	put(t, v.config, strings.NewReplacer("period: 100ms", "period: 1s", "alarms:", "alarms:\n    record-trouble: { clear_delay: 0s }").Replace(string(text)))
	// The record is made before: that is no part of the watch.
	l, err := ledger.Open(v.ledger(), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	v.ear.listen(true)
	m := new(manager)
	m.listen(t, filepath.Join(v.dir, "n"))
	// -D makes the daemon the child, and the tracer somebody who can be sent away.
	trace := filepath.Join(v.dir, "trace")
	daemon := start(t, "strace", "-D", "-I", "2", "-f", "-qq", "-ttt", "-o", trace, "-P", v.ledger(), "-P", v.ledger()+"-wal", "-e", "trace="+call,
		"-e", fmt.Sprintf("inject=%s:delay_enter=%d:when=%d", call, stallFor.Microseconds(), n), "-E", "NOTIFY_SOCKET="+filepath.Join(v.dir, "n"),
		"holdbell", "run", "--config", v.config, "--socket", v.socket, "--root", filepath.Join(v.dir, "root"))
	client := page.NewClient(v.socket)
	eventually(t, "the daemon answers", func() bool { _, err := client.State(t.Context()); return err == nil })

	// Marks make commits until one of them stands still, and go on through it.
	var stalled []halt
	var answered []string
	var mu sync.Mutex
	var marks sync.WaitGroup
	enough := time.Now().Add(patience)
	for i := 0; len(stalled) == 0; i++ {
		if time.Now().After(enough) {
			t.Fatal("no call was held up")
		}
		marks.Go(func() {
			id := fmt.Sprint("m", i)
			if _, err := client.Mark(t.Context(), rules.MarkFields{Mark: "note", Station: "warmer", Note: "looked at it", ID: id}); err == nil {
				mu.Lock()
				defer mu.Unlock()
				answered = append(answered, id)
			}
		})
		<-time.After(400 * time.Millisecond)
		stalled = halts(t, trace)
	}
	// Other threads would come as far.
	tracer := tracerOf(t, daemon.cmd.Process.Pid)
	if err := syscall.Kill(tracer, syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the tracer lets go", func() bool { return tracerOf(t, daemon.cmd.Process.Pid) == 0 })
	stalled = halts(t, trace)
	marks.Wait()
	eventually(t, "record-trouble is over, and every event is told", func() bool {
		events := v.recorded()
		return len(ofAlarm(events, rules.AlarmRaised)) > 0 && len(ofAlarm(events, rules.AlarmRaised)) == len(ofAlarm(events, rules.AlarmCleared)) &&
			v.ear.count() >= uint64(len(events))
	})
	if code := daemon.end(syscall.SIGTERM); code != 0 {
		t.Errorf("SIGTERM ended it with %d", code)
	}
	return v.judge(m, stalled, answered)
}

// halt is a time in which a call stood still.
type halt struct{ from, to time.Time }

func (s halt) holds(at time.Time) bool { return at.After(s.from) && at.Before(s.to) }

var heldUp = regexp.MustCompile(`(?m)^\d+ +(\d+\.\d+) .*\(DELAYED\)`)

// halts reads from the trace which calls stood still, once they went on.
func halts(t *testing.T, trace string) (all []halt) {
	b, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range heldUp.FindAllStringSubmatch(string(b), -1) {
		s, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		at := time.UnixMicro(int64(s * 1e6))
		all = append(all, halt{at.Add(-stallFor), at}) // the line stands there once the call went on
	}
	return all
}

// tracerOf gives who traces a process, 0 for nobody.
func tracerOf(t *testing.T, pid int) int {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(b), "TracerPid:")
	tracer, err := strconv.Atoi(strings.Fields(after)[0])
	if err != nil {
		t.Fatal(err)
	}
	return tracer
}

// recorded reads the events beside the daemon.
func (v *victim) recorded() []rules.Event {
	v.t.Helper()
	l, err := ledger.OpenReader(v.ledger())
	if err != nil {
		v.t.Fatal(err)
	}
	defer l.Close()
	events, err := l.Events(v.t.Context(), 0, 1<<20)
	if err != nil {
		v.t.Fatal(err)
	}
	return events
}

func ofAlarm(events []rules.Event, kind rules.EventKind) (of []rules.Event) {
	for _, ev := range events {
		if ev.Kind == kind && ev.Alarm == rules.RecordTrouble {
			of = append(of, ev)
		}
	}
	return of
}

// judge holds the record of a daemon whose disk stood still to what has to be in it.
func (v *victim) judge(m *manager, stalled []halt, answered []string) (longest, before time.Duration) {
	t := v.t
	l, err := ledger.OpenReader(v.ledger())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	events, err := l.Events(t.Context(), 0, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	v.ear.mu.Lock()
	defer v.ear.mu.Unlock()
	late := 0
	for i, ev := range events {
		if ev.Seq != uint64(i)+1 {
			t.Errorf("event %d stands at place %d", ev.Seq, i+1)
		}
		told, ok := v.ear.heard[ev.Seq]
		if !ok || told.Text != ev.Text || told.Unrecorded != ev.Unrecorded {
			t.Errorf("event %d is recorded as %q, unrecorded %v, and was told as %+v", ev.Seq, ev.Text, ev.Unrecorded, told)
		}
		if ev.Unrecorded {
			late++
		}
	}
	if late == 0 || len(v.ear.heard) != len(events) {
		t.Errorf("%d events are recorded, %d of them were told before; %d were told", len(events), late, len(v.ear.heard))
	}
	for _, id := range answered {
		if found, err := l.HasMark(t.Context(), id); err != nil || !found {
			t.Errorf("mark %s was answered and is not recorded (%v)", id, err)
		}
	}
	raised := ofAlarm(events, rules.AlarmRaised)
	for _, s := range stalled {
		rang := false
		for _, ev := range raised {
			rang = rang || s.holds(ev.At.Wall)
		}
		if !rang {
			t.Errorf("the disk stood still until %v, and record-trouble did not ring meanwhile", s.to)
		}
		if n := m.during(s.from, s.to); n < int(stallFor/time.Second)/2 {
			t.Errorf("the watchdog was fed %d times in %v", n, stallFor)
		}
	}
	var last time.Time
	var mono time.Duration
	for in, err := range l.Inputs(0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		at := in.Sweep.At
		if gap := at.Mono - mono; !last.IsZero() {
			within := false
			for _, s := range stalled {
				within = within || s.holds(last) || s.holds(at.Wall)
			}
			if within {
				longest = max(longest, gap)
			} else {
				before = max(before, gap)
			}
		}
		last, mono = at.Wall, at.Mono
	}
	if longest == 0 {
		t.Error("no sweep is recorded from while the disk stood still")
	}
	t.Logf("%d stalls of %v: %d events, %d of them told before they were recorded, record-trouble %d times, %d marks answered",
		len(stalled), stallFor, len(events), late, len(raised), len(answered))
	return longest, before
}
