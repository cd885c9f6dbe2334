package daemon

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func TestNotifierSpeaksToTheManager(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "10000000")
	t.Setenv("WATCHDOG_PID", "")
	n := newNotifier(30*time.Second, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go n.run(ctx, slog.New(slog.DiscardHandler))
	n.tell("READY=1")
	n.progress()
	if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	var got []string
	buf := make([]byte, 256)
	for len(got) < 3 {
		k, err := conn.Read(buf)
		if err != nil {
			t.Fatalf("%v; so far %q", err, got)
		}
		got = append(got, string(buf[:k]))
	}
	// A sweep of half a minute under a watchdog of ten seconds asks for more time first.
	for _, want := range []string{"WATCHDOG_USEC=90000000", "READY=1", "WATCHDOG=1"} {
		if !slices.Contains(got, want) {
			t.Errorf("%q is missing in %q", want, got)
		}
	}
}

// TestNotifierFeedsFromProgressAlone: no round of the loop, no watchdog; and a manager that does not read
// holds nobody up.
func TestNotifierFeedsFromProgressAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var sent []string
		var stuck chan struct{}
		n := &notifier{alive: make(chan struct{}, 1), say: make(chan string, 8)}
		n.send = func(s string) error {
			mu.Lock()
			sent = append(sent, s)
			hold := stuck
			mu.Unlock()
			if hold != nil {
				<-hold
			}
			return errors.New("nobody listens")
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var log strings.Builder
		go n.run(ctx, slog.New(slog.NewTextHandler(&log, nil)))
		wait(time.Hour)
		if len(sent) != 0 {
			t.Errorf("sent %q without progress", sent)
		}
		for range 3 {
			n.progress()
			wait(time.Second)
		}
		if len(sent) != 3 {
			t.Errorf("sent %q for three rounds", sent)
		}
		mu.Lock()
		stuck = make(chan struct{})
		mu.Unlock()
		for range 100 {
			n.progress()
			n.tell("STATUS=x")
		}
		synctest.Wait()
		close(stuck)
		if lines := strings.Count(log.String(), "\n"); lines != 1 {
			t.Errorf("%d lines were logged for one trouble:\n%s", lines, log.String())
		}
	})
}
