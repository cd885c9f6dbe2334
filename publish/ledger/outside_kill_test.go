package ledger_test

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	mathrand "math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/publish"
	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

// The child of TestKilledInTheMiddle: where its ledger lies, and whether it stops by itself.
const (
	childFolder = "HOLDBELL_TEST_CHILD_FOLDER"
	childStops  = "HOLDBELL_TEST_CHILD_STOPS"
	kills       = 15
	markEvery   = 130 // sweeps; quiet blocks close in between
)

var killProbes = []string{"warmer-air", "warmer-core"}

func killSetup(t testing.TB) rules.Setup {
	code, err := foodcode.Lookup(foodcode.USFDA2022)
	if err != nil {
		t.Fatal(err)
	}
	return rules.Setup{Site: "demo-kitchen", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code,
		Probes:   []rules.ProbeSetup{{Name: killProbes[0]}, {Name: killProbes[1]}},
		Stations: []rules.StationSetup{{Name: "warmer", Purpose: rules.HotHolding, Air: 0, Food: []int{1}}}}
}

// killSweep is the i-th sweep of a cabinet that is off for 20 minutes of every hour.
func killSweep(i uint64) []sensor.Reading {
	temp := sensor.FahrenheitLimit(150)
	if i%3600 > 2400 {
		temp = sensor.FahrenheitLimit(120)
	}
	temp += sensor.Temp(i % 50)
	readings := []sensor.Reading{{Temp: temp}, {Temp: temp - 200}}
	if i%997 == 0 {
		readings[0] = sensor.Bad(sensor.Open)
	}
	return readings
}

// said is a publisher that tells the parent through a pipe, which outlives the child.
type said struct {
	out io.Writer

	mu   sync.Mutex
	more *sync.Cond
	upTo uint64
}

func newSaid(out io.Writer) *said {
	s := &said{out: out}
	s.more = sync.NewCond(&s.mu)
	return s
}

func (s *said) line(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fmt.Fprintf(s.out, format+"\n", args...)
}

func (s *said) Name() string      { return "parent" }
func (s *said) Show(*rules.State) {}
func (s *said) Deliver(_ context.Context, _ string, ev rules.Event) error {
	word := "got"
	if ev.Unrecorded {
		word = "unrecorded" // on a disk that took more than a second
	}
	s.line("%s %d %s", word, ev.Seq, content(ev))
	s.mu.Lock()
	defer s.mu.Unlock()
	s.upTo = ev.Seq
	s.more.Broadcast()
	return nil
}

// wait returns once event seq was delivered.
func (s *said) wait(seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for s.upTo < seq {
		s.more.Wait()
	}
}

// content tells one event from another under the same Seq.
func content(ev rules.Event) string {
	ev.Unrecorded = false
	text, err := json.Marshal(ev)
	if err != nil {
		return err.Error()
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

// child is a daemon without its outside: it goes on from what the folder holds until it is killed.
func child(t *testing.T, folder string) {
	say := newSaid(os.Stdout)
	l, err := ledger.Open(filepath.Join(folder, "ledger.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l.Moved() != "" {
		t.Fatalf("the ledger was taken for a damaged one and moved to %s", l.Moved())
	}
	r, err := ledger.Resume(l, filepath.Join(folder, "copy"))
	if err != nil && r == nil {
		t.Fatal(err)
	}
	engine := killEngine(t, r.Snapshot)
	seq := r.LastSeq
	for in, err := range l.Inputs(r.Sweep, killProbes) {
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range engine.Step(in) {
			if ev.Seq > seq {
				t.Fatalf("event %d comes from recorded sweeps, and is not recorded", ev.Seq)
			}
		}
	}
	tail := publish.NewTail(16, seq, l)
	quiet := slog.New(slog.DiscardHandler)
	w := ledger.NewWriter(l, ledger.WriterOptions{Resumed: *r, CopyPath: filepath.Join(folder, "copy"), Told: tail.Add, Log: quiet})
	c := publish.NewCourier(say, tail, l, publish.CourierOptions{Log: quiet})
	ctx, cancel := context.WithCancel(t.Context())
	var couriers sync.WaitGroup
	couriers.Go(func() { c.Run(ctx) })
	say.line("ready")

	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Mono: time.Minute, Believed: true}
	if !r.Newest.IsZero() {
		at.Wall = r.Newest.Wall.Add(20 * time.Second)
	}
	rand.Read(at.Boot[:])
	stops := os.Getenv(childStops) != ""
	for i := r.LastSweep + 1; !stops || i < r.LastSweep+5*markEvery; i++ {
		at = at.Add(time.Second)
		in := rules.Input{Sweep: sensor.Sweep{At: at, Readings: killSweep(i)}}
		var durable chan struct{}
		e := ledger.Entry{Probes: killProbes, Snapshot: engine.Snapshot}
		if i%markEvery == 0 {
			id := fmt.Sprintf("m%d", i)
			in.Marks = []rules.Mark{{At: at, Kind: rules.MarkNote, Station: "warmer", Note: "looked at it", ID: id}}
			durable = make(chan struct{})
			e.Durable = func() { say.line("durable %s", id); close(durable) }
		}
		e.Events = engine.Step(in)
		e.Input, e.Alarmed = in, engine.Alarmed()
		w.Add(e)
		if durable != nil {
			<-durable
		}
	}
	if err := w.Flush(t.Context(), engine.Snapshot); err != nil {
		t.Fatal(err)
	}
	say.wait(engine.State().Seq)
	cancel()
	couriers.Wait()
	if err := w.Close(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
}

func killEngine(t testing.TB, snapshot []byte) *rules.Engine {
	engine, err := rules.New(killSetup(t))
	if snapshot != nil {
		engine, err = rules.Restore(killSetup(t), snapshot)
	}
	if err != nil {
		t.Fatal(err)
	}
	return engine
}

// heard is what the parent knows from all children together.
type heard struct {
	marks  []string
	events map[uint64]string
	upTo   uint64 // every event to here was delivered, and durable before
}

// TestKilledInTheMiddle kills a daemon again and again, wherever it stands, and holds what it told the
// outside to what the ledger says: no mark that was answered and no event is lost, none is told under a Seq that
// later stands for another, the numbers are dense, and the record fed again decides the same events.
func TestKilledInTheMiddle(t *testing.T) {
	if folder := os.Getenv(childFolder); folder != "" {
		child(t, folder)
		return
	}
	folder := t.TempDir()
	h := &heard{events: map[uint64]string{}}
	seed := mathrand.Uint64()
	chance := mathrand.New(mathrand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	for range kills {
		// Every third is killed in its first steps, before it is ready or just after.
		lines := chance.IntN(120)
		if chance.IntN(3) == 0 {
			lines = chance.IntN(3)
		}
		raise(t, h, folder, lines)
		audit(t, h, folder)
	}
	raise(t, h, folder, -1)
	sweeps, events := audit(t, h, folder)
	if h.upTo != events {
		t.Errorf("after a clean stop the publisher has events up to %d of %d", h.upTo, events)
	}
	if len(h.marks) < kills || events < kills {
		t.Errorf("only %d marks and %d events were made", len(h.marks), events)
	}
	t.Logf("%d sweeps, %d marks, %d events over %d kills", sweeps, len(h.marks), events, kills)
}

// raise runs a child, and kills it after so many lines; with a negative number it stops by itself.
func raise(t *testing.T, h *heard, folder string, lines int) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestKilledInTheMiddle$", "-test.timeout=2m")
	cmd.Env = append(os.Environ(), childFolder+"="+folder)
	if lines < 0 {
		cmd.Env = append(cmd.Env, childStops+"=1")
	}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var all []string
	in := bufio.NewScanner(out)
	for n := 0; ; n++ {
		if n == lines {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
		if !in.Scan() {
			break
		}
		all = append(all, in.Text())
	}
	err = cmd.Wait()
	if (err == nil) != (lines < 0) || strings.Contains(strings.Join(all, "\n"), "--- FAIL") {
		t.Fatalf("the child: %v\n%s\n%s", err, strings.Join(all, "\n"), stderr.String())
	}
	h.hear(t, all)
}

func (h *heard) hear(t *testing.T, lines []string) {
	t.Helper()
	last := uint64(0)
	for _, line := range lines {
		words := strings.Fields(line)
		switch {
		case len(words) == 2 && words[0] == "durable":
			h.marks = append(h.marks, words[1])
		case len(words) == 3 && (words[0] == "got" || words[0] == "unrecorded"):
			seq, err := strconv.ParseUint(words[1], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			if last == 0 && seq > h.upTo+1 || last != 0 && seq != last+1 {
				t.Errorf("event %d was delivered after %d, with %d delivered before this run", seq, last, h.upTo)
			}
			if was, ok := h.events[seq]; ok && was != words[2] {
				t.Errorf("event %d was delivered with two contents", seq)
			}
			last = seq
			if words[0] == "got" {
				h.events[seq] = words[2]
				h.upTo = max(h.upTo, seq)
			}
		}
	}
}

// audit opens the ledger as a restart does, and holds it to what was heard.
func audit(t *testing.T, h *heard, folder string) (sweeps, events uint64) {
	t.Helper()
	l, err := ledger.Open(filepath.Join(folder, "ledger.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	r, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range h.marks {
		if found, err := l.HasMark(t.Context(), id); err != nil || !found {
			t.Fatalf("mark %s was answered and is not in the record (%v)", id, err)
		}
	}
	recorded, err := l.Events(t.Context(), 0, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	for i, ev := range recorded {
		if ev.Seq != uint64(i)+1 {
			t.Fatalf("event %d stands at place %d", ev.Seq, i+1)
		}
		if was, ok := h.events[ev.Seq]; ok && was != content(ev) {
			t.Errorf("event %d was delivered with another content than is recorded", ev.Seq)
		}
	}
	if h.upTo > r.LastSeq {
		t.Errorf("event %d was delivered, and the record ends at %d", h.upTo, r.LastSeq)
	}
	engine := killEngine(t, nil)
	var again []rules.Event
	for in, err := range l.Inputs(0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		sweeps++
		again = append(again, engine.Step(in)...)
	}
	if sweeps != r.LastSweep {
		t.Errorf("%d sweeps are recorded, and the last is number %d", sweeps, r.LastSweep)
	}
	if len(again) != len(recorded) {
		t.Fatalf("fed again the record gives %d events, recorded are %d", len(again), len(recorded))
	}
	for i := range again {
		if content(again[i]) != content(recorded[i]) {
			t.Fatalf("fed again event %d is\n%+v, recorded is\n%+v", i+1, again[i], recorded[i])
		}
	}
	return sweeps, r.LastSeq
}
