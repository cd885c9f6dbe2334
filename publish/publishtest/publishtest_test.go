package publishtest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"holdbell/publish"
	"holdbell/rules"
)

// letterbox is a publisher with its far end in one: the suite's own subject.
type letterbox struct {
	mu      sync.Mutex
	got     []Key
	broken  bool
	refuses map[uint64]bool
	shown   *rules.State
}

func (l *letterbox) Name() string { return "letterbox" }

func (l *letterbox) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.broken:
		return errors.New("the lid is shut")
	case l.refuses[ev.Seq]:
		return publish.Permanent(fmt.Errorf("no room for event %d", ev.Seq))
	}
	l.got = append(l.got, Key{ledger, ev.Seq})
	return nil
}

func (l *letterbox) Show(st *rules.State) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shown = st
}

func TestTheSuiteOnALetterbox(t *testing.T) {
	Run(t, func(t *testing.T) Rig {
		l := &letterbox{refuses: map[uint64]bool{}}
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
	})
}
