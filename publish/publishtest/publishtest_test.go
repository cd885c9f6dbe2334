package publishtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"sync"
	"testing"

	"holdbell/publish"
	"holdbell/rules"
)

// letterbox is a publisher with its far end in one: the suite's own subject. fault makes it a bad one.
type letterbox struct {
	fault string

	mu      sync.Mutex
	got     []Key
	broken  bool
	refuses map[uint64]bool
	calls   int
	kept    *rules.Event
}

func (l *letterbox) Name() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls++
	if l.fault == "another name each time" {
		return fmt.Sprint("letterbox-", l.calls)
	}
	return "letterbox"
}

func (l *letterbox) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	if err := ctx.Err(); err != nil && l.fault != "deaf to its context" {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.broken && l.fault == "gives up what it cannot reach":
		return publish.Permanent(errors.New("the lid is shut"))
	case l.broken && (l.fault == "says done when it is not" || l.fault == "deaf to its context"):
		return nil
	case l.broken:
		return errors.New("the lid is shut")
	case l.refuses[ev.Seq]:
		return publish.Permanent(fmt.Errorf("no room for event %d", ev.Seq))
	}
	key := Key{ledger, ev.Seq}
	switch l.fault {
	case "loses the ledger":
		key.Ledger = ""
	case "another number each time":
		l.calls++
		key.Seq = uint64(l.calls)
	case "keeps every second back":
		if l.kept == nil {
			l.kept = &ev
			return nil
		}
		l.got = append(l.got, key, Key{ledger, l.kept.Seq})
		l.kept = nil
		return nil
	}
	l.got = append(l.got, key)
	return nil
}

func (l *letterbox) Show(*rules.State) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls++
}

func letterboxes(fault string) func(t *testing.T) Rig {
	return func(t *testing.T) Rig {
		l := &letterbox{fault: fault, refuses: map[uint64]bool{}}
		set := func(b bool) func() {
			return func() {
				l.mu.Lock()
				defer l.mu.Unlock()
				l.broken = b
			}
		}
		return Rig{
			Publisher: l,
			Received: func() []Key {
				l.mu.Lock()
				defer l.mu.Unlock()
				return append([]Key(nil), l.got...)
			},
			Break: set(true), Mend: set(false),
			Refuse: func(seq uint64) { l.refuses[seq] = true },
		}
	}
}

func TestTheSuiteOnALetterbox(t *testing.T) { Run(t, letterboxes("")) }

// faultVariable tells the test binary, run again, which bad letterbox to put before the suite.
const faultVariable = "HOLDBELL_TEST_PUBLISHER_FAULT"

// TestTheSuiteSeesFaults runs the suite, in a process of its own, on publishers that break the contract.
func TestTheSuiteSeesFaults(t *testing.T) {
	if fault := os.Getenv(faultVariable); fault != "" {
		Run(t, letterboxes(fault))
		return
	}
	for _, fault := range []string{"another name each time", "gives up what it cannot reach", "says done when it is not",
		"deaf to its context", "loses the ledger", "another number each time", "keeps every second back"} {
		t.Run(fault, func(t *testing.T) {
			t.Parallel()
			cmd := exec.Command(os.Args[0], "-test.run=^TestTheSuiteSeesFaults$", "-test.timeout=1m")
			cmd.Env = append(os.Environ(), faultVariable+"="+fault)
			out, err := cmd.CombinedOutput()
			if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != 1 {
				t.Errorf("the suite passes a publisher that %s (%v):\n%s", fault, err, out)
			}
		})
	}
}
