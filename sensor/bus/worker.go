package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

const (
	i2cRetries   = 2           // more attempts after a passing I2C error
	shortestWait = time.Second // between openings that fail
	longestWait  = time.Minute
)

var errClosed = errors.New("the buses are closed")

// worker makes the kernel calls of one physical bus, one after the other.
type worker struct {
	jobs    chan *job // unbuffered: a hung worker takes nothing on
	quit    <-chan struct{}
	ended   chan struct{}
	devices []*device              // those with an open port; the worker's own
	holder  atomic.Pointer[device] // whose transaction is under way
}

// job is one transaction. It owns its buffers: a caller that has given up may reuse its own while the
// kernel still writes into these.
type job struct {
	dev       *device
	w, r      []byte
	done      chan error // room for one, so that the worker never waits for a caller
	abandoned atomic.Bool
}

// device is one chip's place on the bus. Its lower fields belong to the worker.
type device struct {
	name string
	spi  bool
	open func() (Port, error)
	work *worker
	idle chan *job // a finished job to use again

	port     Port
	failures int       // in a row
	retryAt  time.Time // not opened before
	lastErr  error
}

// device makes a chip's place on w's bus.
func (w *worker) device(name string, spi bool, open func() (Port, error)) *device {
	return &device{name: name, spi: spi, open: open, work: w, idle: make(chan *job, 1)}
}

// String names the place.
func (d *device) String() string { return d.name }

// Tx implements sensor.Transport. An error that wraps context.DeadlineExceeded means that the bus has not
// answered in time.
func (d *device) Tx(ctx context.Context, w, r []byte) error {
	switch {
	case len(w) == 0 && len(r) == 0:
		return fmt.Errorf("%s: a transaction of no bytes", d.name)
	case d.spi && len(w) != 0 && len(r) != 0 && len(w) != len(r):
		return fmt.Errorf("%s: %d bytes out and %d in: SPI moves as many both ways", d.name, len(w), len(r))
	}
	var j *job
	select {
	case j = <-d.idle:
	default:
		j = &job{dev: d, done: make(chan error, 1)}
	}
	j.w = append(j.w[:0], w...)
	j.r = slices.Grow(j.r[:0], len(r))[:len(r)]

	select {
	case d.work.jobs <- j:
	case <-ctx.Done():
		d.recycle(j)
		return d.late(ctx)
	case <-d.work.quit:
		return fmt.Errorf("%s: %w", d.name, errClosed)
	}
	select {
	case err := <-j.done:
		if err == nil {
			copy(r, j.r)
		}
		d.recycle(j)
		return err
	case <-ctx.Done():
		j.abandoned.Store(true) // and with it its buffers
		return d.late(ctx)
	}
}

func (d *device) recycle(j *job) {
	select {
	case d.idle <- j:
	default:
	}
}

// late says why there is no answer.
func (d *device) late(ctx context.Context) error {
	if holder := d.work.holder.Load(); holder != nil {
		return fmt.Errorf("%s: no answer in time, a transaction of %s holds the bus: %w", d.name, holder.name, ctx.Err())
	}
	return fmt.Errorf("%s: no answer in time: %w", d.name, ctx.Err())
}

// run serves until quit, then closes every port.
func (w *worker) run() {
	defer close(w.ended)
	for {
		select {
		case <-w.quit:
			for _, d := range w.devices {
				_ = d.port.Close() // nothing is left to do about it
			}
			return
		case j := <-w.jobs:
			w.holder.Store(j.dev)
			err := w.serve(j)
			w.holder.Store(nil)
			j.done <- err
		}
	}
}

// serve makes one transaction, opening the device when need be.
func (w *worker) serve(j *job) error {
	d := j.dev
	if d.port == nil {
		if time.Now().Before(d.retryAt) {
			return d.lastErr
		}
		port, err := d.open()
		if err != nil {
			return d.failed(time.Now(), err)
		}
		d.port = port
		w.devices = append(w.devices, d)
	}
	began := time.Now()
	err := d.port.Tx(j.w, j.r)
	for n := 0; err != nil && !d.spi && n < i2cRetries && passing(err) && !j.abandoned.Load(); n++ {
		err = d.port.Tx(j.w, j.r)
	}
	if err == nil && j.abandoned.Load() {
		err = fmt.Errorf("answered only after %v", time.Since(began).Round(time.Millisecond))
	}
	if err != nil {
		w.close(d)
		return d.failed(began, fmt.Errorf("%s: %w", d.name, err))
	}
	d.failures = 0
	return nil
}

func (w *worker) close(d *device) {
	_ = d.port.Close() // the error that led here is the one to tell
	d.port = nil
	w.devices = slices.DeleteFunc(w.devices, func(o *device) bool { return o == d })
}

// failed notes a failure and sets when the device is opened next: at once after the first, for one error
// is often noise, then after 1 s, 2 s and so on to 60 s, counted from when the failing call began.
func (d *device) failed(at time.Time, err error) error {
	var wait time.Duration
	if d.failures > 0 {
		wait = min(shortestWait<<min(d.failures-1, 10), longestWait)
	}
	d.failures++
	d.retryAt, d.lastErr = at.Add(wait), err
	return err
}

// passing reports whether an I2C error is one that a second attempt often cures: no acknowledge, a clock
// held too long, a lost arbitration. periph passes on the kernel's words and not its number.
func passing(err error) bool {
	for _, e := range []syscall.Errno{syscall.EREMOTEIO, syscall.ETIMEDOUT, syscall.EAGAIN} {
		if errors.Is(err, e) || strings.HasSuffix(err.Error(), e.Error()) {
			return true
		}
	}
	return false
}
