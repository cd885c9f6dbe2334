package ledger

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestThinnedAndDroppedIsWhole thins and drops over several rounds: the chain says that it is whole, beside what
// went, and a head of before the first round is still on it.
func TestThinnedAndDroppedIsWhole(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	days(t, l, 3600)
	early := l.Head()
	thinned, dropped := 0, false
	for round := range 3 {
		days(t, l, 10*3600)
		for _, k := range []Keep{{Full: 26 * time.Hour}, {Full: 25 * time.Hour, MaxBytes: 1 << 20}, {MaxBytes: 200_000}} {
			steps := thinAll(t, l, k)
			v := verified(t, l.path, VerifyOptions{Held: early.Hash[:]})
			if v.Break != nil || v.Head != l.Head() || !v.Held.Found || v.Thinned < thinned || steps > 0 && (v.Thinned == thinned || v.ThinnedAt.IsZero()) {
				t.Fatalf("round %d, %+v, %d steps: %+v, break %+v", round, k, steps, v, v.Break)
			}
			thinned = v.Thinned
		}
		first, _, err := l.Span(t.Context())
		must(t, err)
		dropped = dropped || first.After(at(1).Wall)
	}
	if thinned < 400 || !dropped {
		t.Errorf("%d blocks went, of them dropped: %v", thinned, dropped)
	}
}

// TestAChangedThinnedRowIsFound alters, removes and adds thinned rows behind the ledger's back.
func TestAChangedThinnedRowIsFound(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	days(t, l, 3*3600)
	if thinAll(t, l, Keep{Full: time.Hour}) < 2 {
		t.Fatal("too little was thinned")
	}
	c, err := l.conns()
	must(t, err)
	var link uint64
	must(t, c.reader.QueryRow(`SELECT max(n) FROM chain WHERE kind = 'block' AND a = 1`).Scan(&link))
	must(t, l.Close())
	b := bytesOf(t, l.path)
	if v := tampered(t, b, VerifyOptions{}); v.Break != nil {
		t.Fatalf("untouched: %+v", v.Break)
	}
	for name, c := range map[string]struct {
		do      string
		problem Problem
	}{
		"its data":     {`UPDATE blocks SET data = (SELECT data FROM blocks WHERE first > 1 ORDER BY first LIMIT 1) WHERE first = 1`, Altered},
		"its count":    {`UPDATE blocks SET count = count - 1 WHERE first = 1`, Altered},
		"its time":     {`UPDATE blocks SET hi = hi + 1 WHERE first = 1`, Altered},
		"itself":       {`DELETE FROM blocks WHERE first = 1`, Missing},
		"one put in":   {`INSERT INTO blocks SELECT 7, count, layout, lo, hi, data FROM blocks WHERE first = 1`, Unlinked},
		"what says so": {`DELETE FROM thinned`, Altered},
	} {
		v := tampered(t, b, VerifyOptions{}, c.do)
		want := link
		switch {
		case c.problem == Unlinked:
			want = 0
		case name == "what says so": // the first block of all, which has given way
			want = 2
		}
		if v.Break == nil || v.Break.Problem != c.problem || v.Break.Link != want {
			t.Errorf("%s: %+v, want link %d", name, v.Break, want)
		}
	}
}

// The child of TestKilledWhileThinning: where its ledger lies.
const thinFolder = "HOLDBELL_TEST_THIN_FOLDER"

// thinner commits and thins until it is killed, and says before and after each step that it does one.
func thinner(t *testing.T, path string) {
	l, err := Open(path, Options{})
	must(t, err)
	if l.Moved() != "" {
		t.Fatalf("the ledger was taken for a damaged one and moved to %s", l.Moved())
	}
	for {
		days(t, l, 3600)
		fmt.Println("committed", restore(t, l).LastSeq)
		for more := true; more; {
			fmt.Println("begin")
			more, err = l.tidy(context.Background(), Keep{MaxBytes: 1})
			must(t, err)
			fmt.Println("end")
		}
	}
}

// TestKilledWhileThinning kills a process in the middle of thinning and dropping, again and again: the ledger
// opens, no event is lost, and the chain is whole.
func TestKilledWhileThinning(t *testing.T) {
	if path := os.Getenv(thinFolder); path != "" {
		thinner(t, path)
		return
	}
	path := filepath.Join(fastDir(t), "ledger.db") // what a process wrote outlives it on any disk
	l := beginAt(t, path)
	days(t, l, 27*3600)
	thinAll(t, l, Keep{MaxBytes: 1})
	start, _, err := l.Span(t.Context())
	must(t, errors.Join(err, l.Close()))
	src := rand.New(rand.NewPCG(5, 6))
	amid, seq, dropped := 0, uint64(0), false
	for range 6 {
		last, told := killThinner(t, path, 1+src.IntN(8))
		if last == "begin" {
			amid++
		}
		seq = max(seq, told)
		l, err := Open(path, Options{})
		must(t, err)
		r := restore(t, l)
		if l.Moved() != "" || r.LastSeq < seq || len(events(t, l)) != int(r.LastSeq) {
			t.Fatalf("moved %q, %d events of %d, %d were committed", l.Moved(), len(events(t, l)), r.LastSeq, seq)
		}
		sweep := uint64(0)
		for b, err := range l.blocks(bounds(time.Time{}, time.Time{})) {
			must(t, err)
			if sweep > 0 && b.first != sweep+1 {
				t.Fatalf("after sweep %d comes %d", sweep, b.first)
			}
			sweep = b.last()
		}
		v := verified(t, path, VerifyOptions{})
		if v.Break != nil || sweep != r.LastSweep {
			t.Fatalf("%+v; the readings end at sweep %d of %d", v.Break, sweep, r.LastSweep)
		}
		begin, _, err := l.Span(t.Context())
		must(t, err)
		dropped = dropped || begin.After(start)
		must(t, l.Close())
	}
	v := verified(t, path, VerifyOptions{})
	t.Logf("%d of 6 kills amid a step; %d links, %d blocks went by age", amid, v.Head.Links, v.Thinned)
	if amid == 0 || v.Thinned == 0 || !dropped {
		t.Errorf("%d kills came amid a step, %d blocks went, dropped: %v", amid, v.Thinned, dropped)
	}
}

// killThinner runs a child and kills it as the n-th step begins. It gives the last line but for "committed",
// and the newest event that was committed.
func killThinner(t *testing.T, path string, n int) (last string, seq uint64) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestKilledWhileThinning$", "-test.timeout=5m")
	cmd.Env = append(os.Environ(), thinFolder+"="+path)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	var all []string
	for in := bufio.NewScanner(out); in.Scan(); {
		line := in.Text()
		all = append(all, line)
		if _, err := fmt.Sscanf(line, "committed %d", &seq); err == nil {
			continue
		}
		if last = line; line == "begin" {
			if n--; n == 0 {
				must(t, cmd.Process.Kill())
			}
		}
	}
	if err := cmd.Wait(); err == nil || n > 0 {
		t.Fatalf("the child: %v\n%s\n%s", err, strings.Join(all, "\n"), stderr.String())
	}
	return last, seq
}
