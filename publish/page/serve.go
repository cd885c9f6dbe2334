package page

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/net/netutil"
)

// MaxConns is how many connections a listener of Serve holds at once. Each screen of a kitchen holds one open
// for what is new; a browser opens up to six.
const MaxConns = 256

// Server gives h the limits under which a slow or hostile browser takes nothing but its own connection.
func Server(h http.Handler, log *slog.Logger) *http.Server {
	// Pages that listen for what is new would hold a shutdown up: it ends their requests first.
	base, end := context.WithCancel(context.Background())
	s := &http.Server{
		BaseContext:       func(net.Listener) context.Context { return base },
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	s.RegisterOnShutdown(end)
	return s
}

// Serve serves h on every listener until ctx ends, then lets open requests finish for up to 2 s. Each
// listener holds at most MaxConns connections of its own, so that the network cannot shut out the control
// socket. It closes the listeners, and returns nil after ctx ended, else what stopped it.
func Serve(ctx context.Context, h http.Handler, log *slog.Logger, listeners ...net.Listener) error {
	if len(listeners) == 0 {
		return errors.New("page: nothing to serve on; give a listener")
	}
	s := Server(h, log)
	stopped := make(chan error, len(listeners))
	var wg sync.WaitGroup
	for _, l := range listeners {
		wg.Go(func() { stopped <- s.Serve(netutil.LimitListener(l, MaxConns)) })
	}
	var err error
	select {
	case <-ctx.Done():
	case err = <-stopped:
	}
	end, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if s.Shutdown(end) != nil {
		s.Close()
	}
	wg.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// LocalOnly reports whether a request came over the control socket, or from this machine to an address of
// it. The Host is looked at too: a page elsewhere whose name was made to point here comes with its own
// name.
func LocalOnly(r *http.Request) bool {
	if OverControl(r) {
		return true
	}
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil || !loopback(from) {
		return false
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return host == "localhost" || loopback(host)
}

// OverControl reports whether a request came over a Unix socket; its mode says who may.
func OverControl(r *http.Request) bool {
	addr, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ok && addr.Network() == "unix"
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	if ip == nil && len(host) > 2 && host[0] == '[' {
		ip = net.ParseIP(host[1 : len(host)-1])
	}
	return ip != nil && ip.IsLoopback()
}
