package page

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdbell/rules"
)

// daemonAt serves p on a control socket and gives its path.
func daemonAt(t *testing.T, p *Page) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "control.sock")
	l, err := ListenControl(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- Serve(ctx, p.Handler(), quiet, l) }()
	t.Cleanup(func() {
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
		if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the socket is still there after the end: %v", err)
		}
	})
	return path
}

func TestControlSocket(t *testing.T) {
	d := &desk{}
	p := kitchen(t, rich(), noon, d.take)
	p.opt.Visitor = LocalVisitor
	path := daemonAt(t, p)
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o660 {
		t.Errorf("mode %v, %v; want 0660", info.Mode(), err)
	}
	c := NewClient(path)
	said, err := c.Mark(t.Context(), rules.MarkFields{Mark: "note", Lot: "brisket", Note: "turned"})
	if err != nil || said != "Taken: note of brisket." || len(d.marks) != 1 {
		t.Errorf("%q, %v, %d marks", said, err, len(d.marks))
	}
	raw, err := c.State(t.Context())
	var st struct {
		Site string
		Lots []struct{ Lot, Verdict string }
	}
	if err != nil || json.Unmarshal(raw, &st) != nil || st.Site != "harbour-kitchen" || len(st.Lots) != len(rich().Lots) || st.Lots[2].Verdict != "discard" {
		t.Errorf("%v, %+v", err, st)
	}

	var no *RefusedError
	if _, err := c.Mark(t.Context(), rules.MarkFields{Mark: "chekc"}); !errors.As(err, &no) || no.Status != 400 || !strings.Contains(no.Text, "did you mean check") || errors.Is(err, ErrUnreachable) {
		t.Errorf("a wrong mark: %v", err)
	}
	d.err = errors.New("the disk is full")
	if _, err := c.Mark(t.Context(), rules.MarkFields{Mark: "note"}); !errors.As(err, &no) || no.Status != 503 || no.Text != "The disk is full." {
		t.Errorf("a mark that is not durable: %v", err)
	}
}

func TestClientWithoutDaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	for _, dead := range []bool{false, true} {
		if dead {
			leaveBehind(t, path)
		}
		c := NewClient(path)
		_, err := c.Mark(t.Context(), rules.MarkFields{Mark: "note"})
		if !errors.Is(err, ErrUnreachable) || !strings.Contains(err.Error(), path) || errors.As(err, new(*RefusedError)) {
			t.Errorf("dead socket %v: %v", dead, err)
		}
		if _, err := c.State(t.Context()); !errors.Is(err, ErrUnreachable) {
			t.Errorf("dead socket %v: %v", dead, err)
		}
	}
}

// leaveBehind makes the socket that a killed daemon leaves.
func leaveBehind(t *testing.T, path string) {
	t.Helper()
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	l.SetUnlinkOnClose(false)
	l.Close()
}

func TestListenControl(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "control.sock")
	leaveBehind(t, path)
	l, err := ListenControl(path)
	if err != nil {
		t.Fatalf("a dead daemon's socket is in the way: %v", err)
	}
	if _, err := ListenControl(path); !errors.Is(err, ErrOtherDaemon) || !strings.Contains(err.Error(), "another holdbell is running") {
		t.Errorf("beside another daemon: %v", err)
	}
	if conn, err := net.Dial("unix", path); err != nil {
		t.Errorf("the first daemon's socket is gone: %v", err)
	} else {
		conn.Close()
	}
	l.Close()
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("closed, the socket stays: %v", err)
	}

	file := filepath.Join(dir, "precious")
	if err := os.WriteFile(file, []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ListenControl(file); err == nil || !strings.Contains(err.Error(), "is no socket") {
		t.Errorf("on a file: %v", err)
	}
	if kept, err := os.ReadFile(file); err != nil || string(kept) != "kept" {
		t.Errorf("the file was touched: %q, %v", kept, err)
	}
	if _, err := ListenControl(filepath.Join(dir, "missing", "control.sock")); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("in a missing folder: %v", err)
	}
	if _, err := ListenControl(filepath.Join(dir, strings.Repeat("x", 120))); err == nil || !strings.Contains(err.Error(), "107") {
		t.Errorf("with a long path: %v", err)
	}
}

func TestOverControl(t *testing.T) {
	r, err := http.NewRequest(http.MethodGet, "/", nil)
	if err != nil {
		t.Fatal(err)
	}
	for network, want := range map[net.Addr]bool{&net.UnixAddr{Net: "unix"}: true, &net.TCPAddr{}: false} {
		if got := OverControl(r.WithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, network))); got != want {
			t.Errorf("%s: %v", network.Network(), got)
		}
	}
}
