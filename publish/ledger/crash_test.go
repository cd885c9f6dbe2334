package ledger

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// TestMain lets the test program be the daemon that TestKill kills.
func TestMain(m *testing.M) {
	if path := os.Getenv("HOLDBELL_TEST_LEDGER"); path != "" {
		if err := child(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// child goes on from the ledger at path and records as fast as it can, with a mark and an event every few
// sweeps. It says the id of each mark that is durable, and the Seq of each event told as recorded.
func child(path string) error {
	l, err := Open(path, Options{})
	if err != nil {
		return err
	}
	from, err := Resume(l, path+".copy")
	if from == nil {
		return err
	}
	var known int
	if from.Snapshot != nil {
		if _, err := fmt.Sscan(string(from.Snapshot), &known); err != nil {
			return err
		}
	}
	if l.Moved() != "" || uint64(known) != from.Sweep {
		return fmt.Errorf("moved to %q, snapshot of %d after sweep %d", l.Moved(), known, from.Sweep)
	}
	say := make(chan string, 1000)
	w := NewWriter(l, WriterOptions{Resumed: *from, CopyPath: path + ".copy", Told: func(events []rules.Event) {
		for _, ev := range events {
			if !ev.Unrecorded {
				say <- fmt.Sprint("e", ev.Seq)
			}
		}
	}})
	number, seq := int(max(from.Sweep, from.LastSweep)), int(from.LastSeq)
	go func() {
		for line := range say {
			fmt.Println(line)
		}
	}()
	for {
		number++
		e := Entry{Probes: twoProbes, Input: rules.Input{Sweep: sweep(number, 2)},
			Snapshot: func() ([]byte, error) { return fmt.Append(nil, number), nil }}
		var durable chan struct{}
		if number%5 == 0 {
			seq++
			e.Events = eventsFrom(seq, 1)
		}
		if number%7 == 0 {
			id := fmt.Sprint("m", number)
			e.Input.Marks = []rules.Mark{mark(number, id)}
			durable = make(chan struct{})
			e.Durable = func() { say <- id; close(durable) }
		}
		w.Add(e)
		if durable != nil {
			<-durable // as the person waits for it
		}
	}
}

// A daemon that is killed at any moment has recorded what it said it had, without a gap, and goes on.
func TestKill(t *testing.T) {
	exe, err := os.Executable()
	must(t, err)
	path := filepath.Join(t.TempDir(), "ledger.db")
	r := rand.New(rand.NewPCG(3, 4))
	said := map[string]bool{}
	for range 10 {
		cmd := exec.Command(exe, "-test.run=^$")
		cmd.Env = append(os.Environ(), "HOLDBELL_TEST_LEDGER="+path)
		var stderr strings.Builder
		cmd.Stderr = &stderr
		out, err := cmd.StdoutPipe()
		must(t, err)
		must(t, cmd.Start())
		// It is killed a random moment after a random number of words, as the clock and the disk happen to be.
		words, moment := 1+r.IntN(60), time.Duration(r.IntN(8000))*time.Microsecond
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			said[lines.Text()] = true
			if n == words {
				time.AfterFunc(moment, func() { _ = cmd.Process.Kill() })
			}
		}
		if err := cmd.Wait(); err == nil || stderr.Len() > 0 {
			t.Fatalf("the daemon ended on its own: %v %s", err, stderr.String())
		}
	}
	l := beginAt(t, path)
	if l.Moved() != "" {
		t.Fatalf("a kill damaged the record: %s", l.Moved())
	}
	// All sweeps from the first to the last are there, each once, as they were; so are marks and events.
	have := map[string]bool{}
	number := 0
	for in, err := range l.Inputs(0, twoProbes) {
		must(t, err)
		number++
		same(t, "a sweep", in.Sweep, sweep(number, 2))
		for _, m := range in.Marks {
			have[m.ID] = true
		}
	}
	for i, ev := range events(t, l) {
		if ev.Seq != uint64(i+1) {
			t.Fatalf("event %d stands at place %d", ev.Seq, i+1)
		}
		have[fmt.Sprint("e", ev.Seq)] = true
	}
	for id := range said {
		if !have[id] {
			t.Errorf("%s was acknowledged and is gone", id)
		}
	}
	if len(said) < 100 || number < 200 {
		t.Errorf("%d words, %d sweeps: too few to prove anything", len(said), number)
	}
	t.Logf("%d sweeps, %d acknowledgements, none lost", number, len(said))
}
