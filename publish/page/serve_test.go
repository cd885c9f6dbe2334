package page

import (
	"bufio"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

var quiet = slog.New(slog.DiscardHandler)

// pipes is a listener whose connections run in a test's own time.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func newPipes() *pipes { return &pipes{make(chan net.Conn), make(chan struct{})} }

func (p *pipes) dial() net.Conn {
	ours, theirs := net.Pipe()
	p.conns <- theirs
	return ours
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

// A browser that is slow to ask, or slow to read, loses its connection and holds up nobody.
func TestSlowBrowsers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := kitchen(t, rich(), noon, noMark)
		l := newPipes()
		ctx, stop := context.WithCancel(t.Context())
		served := make(chan error, 1)
		go func() { served <- Serve(ctx, p.Handler(), quiet, l) }()

		began := time.Now() // in the bubble's time
		asks, reads, sends := l.dial(), l.dial(), l.dial()
		say := func(c net.Conn, s string) {
			if _, err := io.WriteString(c, s); err != nil {
				t.Fatal(err)
			}
		}
		say(asks, "GET / HT")
		say(reads, "GET / HTTP/1.1\r\nHost: board\r\n\r\n")
		say(sends, "POST /mark HTTP/1.1\r\nHost: board\r\nContent-Type: application/json\r\nContent-Length: 4000\r\n\r\n{")

		quick := l.dial()
		say(quick, "GET /healthz HTTP/1.1\r\nHost: board\r\nConnection: close\r\n\r\n")
		r, err := http.ReadResponse(bufio.NewReader(quick), nil)
		if err != nil || r.StatusCode != http.StatusOK {
			t.Fatalf("beside slow browsers: %v %v", r, err)
		}
		if _, err := io.ReadAll(r.Body); err != nil {
			t.Fatal(err)
		}

		// ReadAll comes back only when the server has let go.
		got, err := io.ReadAll(asks)
		if held := time.Since(began); err != nil || strings.Contains(string(got), "200 OK") || held > 6*time.Second {
			t.Errorf("half a request was held for %v and answered %q, %v", held, got, err)
		}
		got, err = io.ReadAll(sends)
		if held := time.Since(began); err != nil || !strings.Contains(string(got), "400 Bad Request") || held > 12*time.Second {
			t.Errorf("half a body was held for %v and answered %q, %v", held, got, err)
		}
		time.Sleep(30 * time.Second)
		got, err = io.ReadAll(reads)
		if strings.Contains(string(got), "</html>") {
			t.Errorf("who reads nothing for 40 s still gets the page (%v)", err)
		}
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
		for _, c := range []net.Conn{asks, reads, sends, quick} {
			c.Close()
		}
	})
}

// One listener's full house leaves the other one open.
func TestConnectionLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := kitchen(t, rich(), noon, noMark)
		network, control := newPipes(), newPipes()
		ctx, stop := context.WithCancel(t.Context())
		served := make(chan error, 1)
		go func() { served <- Serve(ctx, p.Handler(), quiet, network, control) }()
		var held []net.Conn
		for range MaxConns {
			held = append(held, network.dial())
		}
		ours, theirs := net.Pipe()
		select {
		case network.conns <- theirs:
			t.Errorf("a listener holds more than %d connections", MaxConns)
		case <-time.After(time.Second): // the bubble's time
		}
		c := control.dial()
		if _, err := io.WriteString(c, "GET /healthz HTTP/1.1\r\nHost: board\r\nConnection: close\r\n\r\n"); err != nil {
			t.Fatal(err)
		}
		if r, err := http.ReadResponse(bufio.NewReader(c), nil); err != nil || r.StatusCode != http.StatusOK {
			t.Errorf("the control socket is shut out: %v %v", r, err)
		}
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
		for _, c := range append(held, c, ours, theirs) {
			c.Close()
		}
	})
}

func TestLongHeaderIsRefused(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- Serve(ctx, kitchen(t, rich(), noon, noMark).Handler(), quiet, l) }()
	req, err := http.NewRequest(http.MethodGet, "http://"+l.Addr().String()+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Cookie", strings.Repeat("x", 64<<10))
	r, err := http.DefaultClient.Do(req)
	if err == nil {
		r.Body.Close()
		if r.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
			t.Errorf("64 KiB of header: %s", r.Status)
		}
	}
	http.DefaultClient.CloseIdleConnections()
	stop()
	if err := <-served; err != nil {
		t.Error(err)
	}
}

func TestServeSaysWhyItStopped(t *testing.T) {
	l := newPipes()
	l.Close()
	if err := Serve(t.Context(), http.NotFoundHandler(), quiet, closed{l}); err == nil {
		t.Error("a listener that fails gives no error")
	}
	if err := Serve(t.Context(), http.NotFoundHandler(), quiet); err == nil {
		t.Error("no listener gives no error")
	}
}

// closed may be closed once more.
type closed struct{ *pipes }

func (closed) Close() error { return nil }
