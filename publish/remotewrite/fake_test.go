package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/golang/snappy"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/encoding/protowire"

	"holdbell/publish/ledger"
	"holdbell/sensor"
)

// got is one sample as a receiver read it out of a request.
type got struct {
	series string // name{label="value",…} in the order of the request
	at     int64
	value  float64
}

// decode is strict: it reads a body as the specification has it, and refuses what a receiver might only bear. It knows
// nothing of the encoder.
func decode(h http.Header, body []byte) ([]got, error) {
	raw, err := snappy.Decode(nil, body)
	switch {
	case err != nil:
		return nil, err
	case h.Get("Content-Encoding") != "snappy" || !strings.HasPrefix(h.Get("User-Agent"), "holdbell/"):
		return nil, fmt.Errorf("headers %v", h)
	case h.Get("X-Prometheus-Remote-Write-Version") == "0.1.0" && h.Get("Content-Type") == "application/x-protobuf":
		return decodeV1(raw)
	case h.Get("X-Prometheus-Remote-Write-Version") == "2.0.0" && h.Get("Content-Type") == "application/x-protobuf;proto=io.prometheus.write.v2.Request":
		return decodeV2(raw)
	}
	return nil, fmt.Errorf("headers %v", h)
}

// fields gives the fields of a message, in order. fixed and varint values come as numbers.
func fields(b []byte, visit func(num protowire.Number, data []byte, number uint64) error) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		var data []byte
		var number uint64
		switch typ {
		case protowire.BytesType:
			data, n = protowire.ConsumeBytes(b)
		case protowire.VarintType:
			number, n = protowire.ConsumeVarint(b)
		case protowire.Fixed64Type:
			number, n = protowire.ConsumeFixed64(b)
		default:
			return fmt.Errorf("a field of type %d", typ)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		if err := visit(num, data, number); err != nil {
			return err
		}
	}
	return nil
}

func decodeSample(data []byte) (g got, err error) {
	err = fields(data, func(num protowire.Number, _ []byte, number uint64) error {
		switch num {
		case 1:
			g.value = math.Float64frombits(number)
		case 2:
			g.at = int64(number)
		default:
			return fmt.Errorf("field %d of a sample", num)
		}
		return nil
	})
	return g, err
}

// named checks names and values, and writes them as one text.
func named(labels [][2]string) (string, error) {
	var b strings.Builder
	for i, l := range labels {
		if l[0] == "" || l[1] == "" || i > 0 && labels[i-1][0] >= l[0] {
			return "", fmt.Errorf("the labels %q are empty, double or not sorted", labels)
		}
		fmt.Fprintf(&b, "%s=%q,", l[0], l[1])
	}
	if len(labels) == 0 || labels[0][0] != "__name__" {
		return "", fmt.Errorf("the labels %q have no name", labels)
	}
	return b.String(), nil
}

// settled gives the samples their series, and holds them to the order of time.
func settled(name string, samples []got, seen map[string]bool) ([]got, error) {
	if seen[name] || len(samples) == 0 {
		return nil, fmt.Errorf("series %s comes twice or without a sample", name)
	}
	seen[name] = true
	for i := range samples {
		samples[i].series = name
		if i > 0 && samples[i].at <= samples[i-1].at {
			return nil, fmt.Errorf("%s: %d after %d", name, samples[i].at, samples[i-1].at)
		}
	}
	return samples, nil
}

func decodeV1(raw []byte) (all []got, err error) {
	seen := map[string]bool{}
	err = fields(raw, func(num protowire.Number, data []byte, _ uint64) error {
		if num != 1 {
			return fmt.Errorf("field %d of a request", num)
		}
		var labels [][2]string
		var samples []got
		err := fields(data, func(num protowire.Number, data []byte, _ uint64) error {
			switch num {
			case 1:
				var l [2]string
				err := fields(data, func(num protowire.Number, data []byte, _ uint64) error {
					l[num-1] = string(data)
					return nil
				})
				labels = append(labels, l)
				return err
			case 2:
				g, err := decodeSample(data)
				samples = append(samples, g)
				return err
			}
			return fmt.Errorf("field %d of a series", num)
		})
		if err != nil {
			return err
		}
		name, err := named(labels)
		if err != nil {
			return err
		}
		samples, err = settled(name, samples, seen)
		all = append(all, samples...)
		return err
	})
	return all, err
}

func decodeV2(raw []byte) (all []got, err error) {
	seen := map[string]bool{}
	var symbols []string
	err = fields(raw, func(num protowire.Number, data []byte, _ uint64) error {
		switch num {
		case 4:
			symbols = append(symbols, string(data))
			return nil
		case 5:
		default:
			return fmt.Errorf("field %d of a request", num)
		}
		var labels [][2]string
		var samples []got
		err := fields(data, func(num protowire.Number, data []byte, _ uint64) error {
			switch num {
			case 1:
				var refs []uint64
				for len(data) > 0 {
					ref, n := protowire.ConsumeVarint(data)
					if n < 0 || ref >= uint64(len(symbols)) {
						return errors.New("a reference to no symbol")
					}
					refs, data = append(refs, ref), data[n:]
				}
				for i := 0; i+1 < len(refs); i += 2 {
					labels = append(labels, [2]string{symbols[refs[i]], symbols[refs[i+1]]})
				}
				if len(refs)%2 != 0 {
					return errors.New("half a label")
				}
				return nil
			case 2:
				g, err := decodeSample(data)
				samples = append(samples, g)
				return err
			}
			return fmt.Errorf("field %d of a series", num)
		})
		if err != nil {
			return err
		}
		name, err := named(labels)
		if err != nil {
			return err
		}
		samples, err = settled(name, samples, seen)
		all = append(all, samples...)
		return err
	})
	if err == nil && (len(symbols) == 0 || symbols[0] != "") {
		err = errors.New("the first symbol is not empty")
	}
	return all, err
}

// says is a receiver's answer.
type says struct {
	status int
	header http.Header
	body   string
}

// receiver is a strict one, without a network. It keeps what it answered with a 2xx.
type receiver struct {
	t  *testing.T
	mu sync.Mutex
	// answer is asked for each request; nil: 204.
	answer   func(h http.Header, samples []got) says
	kept     map[string]map[int64]float64
	twice    int                                    // samples that it had already
	order    func(arrived time.Time, samples []got) // sees each request that was taken; may be nil
	requests []time.Time
	hang     chan struct{} // no request is answered before it is closed; nil: all are
	conns    chan net.Conn
	done     chan struct{}
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{t: t, kept: map[string]map[int64]float64{}, conns: make(chan net.Conn), done: make(chan struct{})}
	s := &http.Server{Handler: r}
	go func() { _ = s.Serve(r) }()
	t.Cleanup(func() { _ = s.Close() })
	return r
}

// Accept, Close and Addr make it a net.Listener.
func (r *receiver) Accept() (net.Conn, error) {
	select {
	case c := <-r.conns:
		return c, nil
	case <-r.done:
		return nil, net.ErrClosed
	}
}
func (r *receiver) Close() error   { close(r.done); return nil }
func (r *receiver) Addr() net.Addr { return &net.TCPAddr{} }

func (r *receiver) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case r.conns <- theirs:
		return ours, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return // the sender has ended it
	}
	samples, err := decode(req.Header, body)
	if err != nil {
		r.t.Errorf("the receiver cannot read a request: %v", err)
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	hang := r.hang
	r.mu.Unlock()
	if hang != nil {
		<-hang
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.requests = append(r.requests, time.Now())
	a := says{status: http.StatusNoContent}
	if r.answer != nil {
		a = r.answer(req.Header, samples)
	}
	for name, values := range a.header {
		w.Header()[name] = values
	}
	if a.status <= 299 {
		if r.order != nil {
			r.order(time.Now(), samples)
		}
		for _, g := range samples {
			if r.kept[g.series] == nil {
				r.kept[g.series] = map[int64]float64{}
			}
			if was, ok := r.kept[g.series][g.at]; ok {
				if r.twice++; math.Float64bits(was) != math.Float64bits(g.value) {
					r.t.Errorf("%s at %d was %v, and is %v", g.series, g.at, was, g.value)
				}
			}
			r.kept[g.series][g.at] = g.value
		}
	}
	w.WriteHeader(a.status)
	_, _ = io.WriteString(w, a.body)
}

func (r *receiver) set(answer func(h http.Header, samples []got) says) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = answer
}

func always(status int, body string) func(http.Header, []got) says {
	return func(http.Header, []got) says { return says{status: status, body: body} }
}

// shelf is a record in memory. What is added is in it once its block is closed.
type shelf struct {
	mu      sync.Mutex
	id      string
	probes  []string
	sweeps  []sensor.Sweep // number 1 first
	closed  int            // so many are recorded
	right   func(sensor.Instant) sensor.Instant
	cursor  uint64
	found   bool
	saves   int
	failing error
}

func (s *shelf) ID() string { return s.id }

func (s *shelf) Cursor(context.Context, string) (uint64, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cursor, s.found, s.failing
}

func (s *shelf) SetCursor(_ context.Context, name string, seq uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.failing == nil {
		s.cursor, s.found = seq, true
		s.saves++
	}
	return s.failing
}

func (s *shelf) Stretch(_ context.Context, after uint64) (*ledger.Stretch, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.failing != nil {
		return nil, s.failing
	}
	if after >= uint64(s.closed) {
		return nil, nil
	}
	out := &ledger.Stretch{Probes: s.probes}
	for n := after; n < uint64(s.closed) && n < after+60; n++ {
		sweep := s.sweeps[n]
		if s.right != nil {
			sweep.At = s.right(sweep.At)
		}
		out.Sweeps, out.Numbers, out.Last = append(out.Sweeps, sweep), append(out.Numbers, n+1), n+1
	}
	return out, nil
}

func (s *shelf) newest() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return uint64(len(s.sweeps))
}

// board is a kitchen that goes on by itself: a sweep a second of two probes, a block a minute.
type board struct {
	t        *testing.T
	far      *receiver
	shelf    *shelf
	recent   *Recent
	mu       sync.Mutex
	boot     time.Time // when its monotonic clock was zero
	believed bool
	shift    time.Duration // of the wall clock while it is not believed
	fault    map[int]sensor.Fault
	families []*dto.MetricFamily
	options  func(*Options)
	log      strings.Builder
	logMu    sync.Mutex
}

func newBoard(t *testing.T) *board {
	b := &board{t: t, far: newReceiver(t), shelf: &shelf{id: "l", probes: []string{"air", "core"}}, recent: new(Recent),
		boot: time.Now().Add(-time.Hour), believed: true, fault: map[int]sensor.Fault{}}
	return b
}

// Write implements io.Writer, for the log.
func (b *board) Write(p []byte) (int, error) {
	b.logMu.Lock()
	defer b.logMu.Unlock()
	return b.log.Write(p)
}

func (b *board) logged() string {
	b.logMu.Lock()
	defer b.logMu.Unlock()
	return b.log.String()
}

func (b *board) now() sensor.Instant {
	b.mu.Lock()
	defer b.mu.Unlock()
	return sensor.Instant{Wall: time.Now().Add(b.shift).UTC().Round(0), Mono: time.Since(b.boot), Believed: b.believed}
}

// sweep adds one sweep.
func (b *board) sweep() {
	at := b.now()
	n := len(b.shelf.sweeps)
	s := sensor.Sweep{At: at, Readings: []sensor.Reading{{Temp: sensor.Temp(65_000 + n)}, {Temp: sensor.Temp(70_000 - n)}}}
	b.mu.Lock()
	for i, f := range b.fault {
		s.Readings[i] = sensor.Bad(f)
	}
	b.mu.Unlock()
	b.shelf.mu.Lock()
	b.shelf.sweeps = append(b.shelf.sweeps, s)
	if len(b.shelf.sweeps)%60 == 0 {
		b.shelf.closed = len(b.shelf.sweeps)
	}
	b.shelf.mu.Unlock()
	b.recent.Add(b.shelf.probes, s)
}

// goOn sweeps once a second for d.
func (b *board) goOn(d time.Duration) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for end := time.Now().Add(d); time.Now().Before(end); {
		<-tick.C
		b.sweep()
	}
	synctest.Wait() // nobody is at work while a test looks
}

// flush closes the open block.
func (b *board) flush() {
	b.shelf.mu.Lock()
	defer b.shelf.mu.Unlock()
	b.shelf.closed = len(b.shelf.sweeps)
}

// start sets a Writer to work; stop ends it as a clean stop of the daemon does.
func (b *board) start() (w *Writer, stop func()) {
	b.t.Helper()
	calibrated := func(r sensor.Reading) sensor.Reading {
		if r.Valid() {
			r.Temp += 500
		}
		return r
	}
	same := func(r sensor.Reading) sensor.Reading { return r }
	o := Options{URL: "http://receiver.example/api/v1/write", Site: "test-kitchen", Version: "1.0.0", Record: b.shelf, Newest: b.shelf.newest,
		Recent: b.recent, Now: b.now, Log: slog.New(slog.NewTextHandler(b, nil)), Rand: func() float64 { return 0.5 }, dial: b.far.dial,
		Probes: []Probe{{"air", "warmer", "air", same}, {"core", "warmer", "food", calibrated}},
		Gather: func() ([]*dto.MetricFamily, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			return b.families, nil
		},
	}
	if b.options != nil {
		b.options(&o)
	}
	w, err := New(o)
	if err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.Run(ctx)
	}()
	return w, func() {
		b.flush()
		cancel()
		<-done
	}
}

const (
	airTemperature  = `__name__="holdbell_probe_temperature_celsius",instance="test-kitchen",job="holdbell",probe="air",role="air",site="test-kitchen",station="warmer",`
	coreTemperature = `__name__="holdbell_probe_temperature_celsius",instance="test-kitchen",job="holdbell",probe="core",role="food",site="test-kitchen",station="warmer",`
	airUp           = `__name__="holdbell_probe_up",instance="test-kitchen",job="holdbell",probe="air",site="test-kitchen",`
	coreUp          = `__name__="holdbell_probe_up",instance="test-kitchen",job="holdbell",probe="core",site="test-kitchen",`
)

// whole holds the receiver to have every sweep from the number first on, once each, with the right values. Stale markers
// are apart.
func (b *board) whole(first int) {
	b.t.Helper()
	b.shelf.mu.Lock()
	defer b.shelf.mu.Unlock()
	b.far.mu.Lock()
	defer b.far.mu.Unlock()
	missing, wrong, want := 0, 0, map[string]int{}
	look := func(series string, at int64, value float64) {
		want[series]++
		if v, ok := b.far.kept[series][at]; !ok {
			missing++
		} else if v != value {
			wrong++
		}
	}
	for i, s := range b.shelf.sweeps[first-1:] {
		at := s.At
		if b.shelf.right != nil {
			at = b.shelf.right(at)
		}
		ms := at.Wall.UnixMilli()
		for j, r := range s.Readings {
			name, up, offset := airTemperature, airUp, 0.0
			if j == 1 {
				name, up, offset = coreTemperature, coreUp, 0.5
			}
			if r.Valid() {
				look(name, ms, float64(r.Temp+sensor.Temp(offset*1000))/1000)
				look(up, ms, 1)
			} else {
				look(up, ms, 0)
			}
		}
		_ = i
	}
	if missing+wrong > 0 {
		b.t.Errorf("%d samples are missing and %d wrong", missing, wrong)
	}
	for series, n := range want {
		have := 0
		for _, v := range b.far.kept[series] {
			if math.Float64bits(v) != stale {
				have++
			}
		}
		if have != n {
			b.t.Errorf("%s has %d samples, want %d", series, have, n)
		}
	}
	if len(want) == 0 {
		b.t.Error("there is nothing to look for")
	}
}

// ends gives the times of a series' stale markers.
func (r *receiver) ends(series string) (at []int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for t, v := range r.kept[series] {
		if math.Float64bits(v) == stale {
			at = append(at, t)
		}
	}
	slices.Sort(at)
	return at
}
