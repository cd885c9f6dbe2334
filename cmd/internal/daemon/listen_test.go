package daemon

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"

	"holdbell/configs"
)

// TestPortTaken: the page's port is taken at first, which is said once, and served when it is free.
func TestPortTaken(t *testing.T) {
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := other.Addr().String()
	attempts := 0
	listen := func() (net.Listener, error) {
		attempts++
		if attempts == 2 {
			other.Close()
		}
		return net.Listen("tcp", addr)
	}
	var log strings.Builder
	ready := make(chan string, 1)
	h := &httpServer{
		listen:  listen,
		handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "here") }),
		door:    newDoor(configs.HTTP{}, slog.New(slog.DiscardHandler)),
		ready:   func(a net.Addr) { ready <- a.String() },
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		h.run(ctx, slog.New(slog.NewTextHandler(&log, nil)))
		close(done)
	}()
	if got := <-ready; got != addr {
		t.Errorf("serves on %s, want %s", got, addr)
	}
	resp, err := http.Get("http://" + addr)
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	if string(body) != "here" {
		t.Errorf("answers %q", body)
	}
	cancel()
	<-done
	if said := strings.Count(log.String(), "address already in use"); said != 1 || attempts != 2 {
		t.Errorf("%d attempts, said %d times:\n%s", attempts, said, log.String())
	}
}
