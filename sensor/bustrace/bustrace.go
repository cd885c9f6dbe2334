// Package bustrace writes down what goes over the buses, a transaction a line, so that a maintainer can play
// the drivers over it again: what a chip really answered says more than any description of it.
//
// A trace begins with the line "# holdbell bus trace 1". Each further line has six fields with a tab between:
// when the transaction began (RFC 3339), the place ("SPI0.1", "I2C1 0x60"), how long it took (microseconds),
// the bytes out, the bytes in (both hexadecimal, "-" for none), and the error in double quotes, "-" for none.
package bustrace

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"holdbell/sensor"
)

const header = "# holdbell bus trace 1\n"

// MaxBytes is how long a trace of the daemon's may become: a day of eight probes at a second each, about, and
// short enough for any card.
const MaxBytes = 64 << 20

// queued is how many lines may wait for the disk: a bus never does.
const queued = 4096

// Recorder writes a trace. It ends, and says so, when the trace is full or the disk cannot keep up; a trace has
// no holes. The buses go on.
type Recorder struct {
	lines chan []byte
	done  chan struct{}

	mu      sync.Mutex
	stopped bool
}

// New makes a Recorder that writes at most limit bytes to w. ended is called once, from another goroutine, when
// the trace ends before Close, with the reason.
func New(w io.Writer, limit int64, ended func(why error)) *Recorder {
	r := &Recorder{lines: make(chan []byte, queued), done: make(chan struct{})}
	go r.write(w, limit, ended)
	return r
}

// write is the goroutine that alone waits for the disk.
func (r *Recorder) write(w io.Writer, limit int64, ended func(error)) {
	defer close(r.done)
	var why error
	put := func(line []byte) {
		if why != nil {
			return
		}
		if limit -= int64(len(line)); limit < 0 {
			why = errFull
		} else if _, err := w.Write(line); err != nil {
			why = fmt.Errorf("it cannot be written: %w", err)
		} else {
			return
		}
		r.stop()
		ended(why)
	}
	put([]byte(header))
	for line := range r.lines {
		if line == nil {
			why = errLate
			ended(why)
			continue
		}
		put(line)
	}
}

var (
	errFull = fmt.Errorf("it is full")
	errLate = fmt.Errorf("the disk cannot keep up")
)

// stop lets nothing more in.
func (r *Recorder) stop() {
	r.mu.Lock()
	r.stopped = true
	r.mu.Unlock()
}

// note queues one line. The last place in the queue is kept for the word that there was no more room.
func (r *Recorder) note(line []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.stopped:
	case len(r.lines) < cap(r.lines)-1:
		r.lines <- line
	default:
		r.stopped = true
		r.lines <- nil
	}
}

// Close waits until what was queued is written. No bus may be used any more.
func (r *Recorder) Close() {
	r.stop()
	close(r.lines)
	<-r.done
}

// Wrap gives the same buses, with everything that goes over them written down.
func (r *Recorder) Wrap(b sensor.Buses) sensor.Buses { return &buses{b, r} }

type buses struct {
	sensor.Buses
	r *Recorder
}

// SPI implements sensor.Buses.
func (b *buses) SPI(name string, c sensor.SPIConfig) (sensor.Transport, error) {
	return b.wrap(b.Buses.SPI(name, c))
}

// I2C implements sensor.Buses.
func (b *buses) I2C(name string, addr uint16) (sensor.Transport, error) {
	return b.wrap(b.Buses.I2C(name, addr))
}

func (b *buses) wrap(t sensor.Transport, err error) (sensor.Transport, error) {
	if err != nil {
		return nil, err
	}
	return &transport{t, b.r}, nil
}

type transport struct {
	sensor.Transport
	r *Recorder
}

// Tx implements sensor.Transport.
func (t *transport) Tx(ctx context.Context, w, r []byte) error {
	began := time.Now()
	// A driver may write and read in one and the same buffer.
	x := Transaction{At: began, Place: t.String(), W: append([]byte(nil), w...)}
	err := t.Transport.Tx(ctx, w, r)
	x.Took = time.Since(began)
	if err != nil {
		x.Err = err.Error()
	} else {
		x.R = r
	}
	t.r.note(x.line())
	return err
}

// Transaction is one line of a trace. With an error nothing was read.
type Transaction struct {
	At    time.Time
	Place string
	Took  time.Duration
	W, R  []byte
	Err   string // empty for none
}

// line is the transaction as it stands in a trace.
func (x *Transaction) line() []byte {
	b := make([]byte, 0, 96+2*len(x.W)+2*len(x.R)+len(x.Err))
	b = x.At.UTC().AppendFormat(b, time.RFC3339Nano)
	b = append(append(append(b, '\t'), x.Place...), '\t')
	b = strconv.AppendInt(b, x.Took.Microseconds(), 10)
	b = appendHex(append(b, '\t'), x.W)
	b = appendHex(append(b, '\t'), x.R)
	b = append(b, '\t')
	if x.Err == "" {
		return append(b, "-\n"...)
	}
	return append(strconv.AppendQuoteToASCII(b, x.Err), '\n')
}

func appendHex(b, data []byte) []byte {
	if len(data) == 0 {
		return append(b, '-')
	}
	return fmt.Appendf(b, "%x", data)
}
