package daemon

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync"
	"sync/atomic"

	"holdbell/publish"
)

// mostOfOne is how many connections one address of the network may hold: a few browsers, of six each. Those
// of this machine are not counted: they may be a proxy's.
const mostOfOne = 16

// crowd keeps one address from taking every connection, and tells of connections that bring nothing.
type crowd struct {
	net.Listener
	rare *publish.Rare
	mu   sync.Mutex
	from map[string]int
}

func newCrowd(l net.Listener, rare *publish.Rare) *crowd {
	return &crowd{Listener: l, rare: rare, from: map[string]int{}}
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		g := &guest{Conn: conn, from: addressOf(conn.RemoteAddr().String()), rare: c.rare}
		if c.enter(g.from) {
			g.leave = sync.OnceFunc(func() { c.leave(g.from) })
			return g, nil
		}
		conn.Close()
		c.rare.Warn("an address of the network holds too many connections; more are cut off", "from", g.from, "most", mostOfOne)
	}
}

func (c *crowd) enter(from string) bool {
	if ip := net.ParseIP(from); ip.IsLoopback() || from == "::/64" {
		return true
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.from[from] >= mostOfOne {
		return false
	}
	c.from[from]++
	return true
}

func (c *crowd) leave(from string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.from[from]--; c.from[from] <= 0 {
		delete(c.from, from)
	}
}

// guest is one connection.
type guest struct {
	net.Conn
	from          string
	rare          *publish.Rare
	leave         func()
	spoke, served atomic.Bool
}

// Read implements net.Conn.
func (g *guest) Read(b []byte) (int, error) {
	n, err := g.Conn.Read(b)
	if n > 0 {
		g.spoke.Store(true)
	}
	return n, err
}

// Close implements net.Conn. What the HTTP server refuses by itself, it tells nobody but the far end.
func (g *guest) Close() error {
	g.leave()
	if g.spoke.Load() && !g.served.Swap(true) {
		g.rare.Warn("a connection brought no whole request: it was too long, too slow or no HTTP", "from", g.from)
	}
	return g.Conn.Close()
}

type guestKey struct{}

// know is http.Server's ConnContext: requests carry their connection.
func know(ctx context.Context, conn net.Conn) context.Context {
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	return context.WithValue(ctx, guestKey{}, conn)
}

// greet notes that a connection has brought a request.
func greet(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if g, ok := r.Context().Value(guestKey{}).(*guest); ok {
			g.served.Store(true)
		}
		h.ServeHTTP(w, r)
	})
}
