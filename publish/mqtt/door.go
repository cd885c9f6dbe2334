package mqtt

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// door is where clients of the embedded broker come in. Unlike the library's own it outlives passing
// errors such as too many open files, bounds who stands there without saying who he is, cuts off who does
// not read, and keeps a panic in the library to the one connection that met it.
type door struct {
	l         net.Listener
	log       *slog.Logger
	strangers chan struct{}

	mu     sync.Mutex
	inside map[*visitor]struct{}
}

var _ listeners.Listener = (*door)(nil)

// ID implements the library's Listener.
func (d *door) ID() string { return "mqtt" }

// Address implements the library's Listener.
func (d *door) Address() string { return d.l.Addr().String() }

// Protocol implements the library's Listener.
func (d *door) Protocol() string { return d.l.Addr().Network() }

// Init implements the library's Listener.
func (d *door) Init(*slog.Logger) error { return nil }

// Close implements the library's Listener. The library's own farewell is not asked for: it would wait for those
// who have not yet said who they are, and it takes its list of clients twice for reading, which stands still
// for good when a client leaves in between. MQTT 3.1.1 has no farewell of a broker's anyway (3.14).
func (d *door) Close(listeners.CloseFn) {
	d.l.Close()
	d.mu.Lock()
	defer d.mu.Unlock()
	for v := range d.inside {
		v.Conn.Close()
	}
}

// Serve implements the library's Listener.
func (d *door) Serve(establish listeners.EstablishFn) {
	for {
		conn, err := d.l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			d.log.Warn("the embedded broker could not take a connection; it goes on", "err", err)
			time.Sleep(100 * time.Millisecond)
			continue
		}
		select {
		case d.strangers <- struct{}{}:
			// The library sets a deadline of its own once the greeting is there.
			_ = conn.SetDeadline(time.Now().Add(greetTimeout))
			v := &visitor{Conn: conn, leave: sync.OnceFunc(func() { <-d.strangers })}
			d.mu.Lock()
			d.inside[v] = struct{}{}
			d.mu.Unlock()
			go d.attend(establish, v)
		default:
			conn.Close()
		}
	}
}

func (d *door) attend(establish listeners.EstablishFn, v *visitor) {
	defer func() {
		if r := recover(); r != nil {
			d.log.Error("the embedded broker failed at a client; it was cut off", "from", v.RemoteAddr(), "err", fmt.Sprint(r))
		}
		v.let()
		v.Close()
		d.mu.Lock()
		delete(d.inside, v)
		d.mu.Unlock()
	}()
	if err := establish(d.ID(), v); err != nil {
		d.log.Debug("embedded broker: a client left", "from", v.RemoteAddr(), "err", err)
	}
}

// visitor is one connection.
type visitor struct {
	net.Conn
	leave func() // gives the stranger's place back, once
	// unlock is set while the connection's goroutine, which alone uses it, holds the guard's lock.
	unlock func()
}

// Close implements net.Conn.
func (v *visitor) Close() error {
	v.leave()
	return v.Conn.Close()
}

// Write implements net.Conn.
func (v *visitor) Write(b []byte) (int, error) {
	if err := v.SetWriteDeadline(time.Now().Add(drainTimeout)); err != nil {
		return 0, err
	}
	return v.Conn.Write(b)
}

// let releases what the connection holds.
func (v *visitor) let() {
	if v.unlock != nil {
		v.unlock()
		v.unlock = nil
	}
}
