// Package remotewrite brings the readings to a Prometheus-compatible receiver that cannot scrape the board, because a
// router stands between. Every sweep's temperatures go out by remote write, live ones first; what an outage held up
// follows from the record, oldest first and no faster than allowed. The other families of ours go out live alone.
package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	dto "github.com/prometheus/client_model/go"

	"holdbell/publish"
	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// Name is that of the delivery cursor, which is the number of a sweep: up to it everything is dealt with.
const Name = "remote-write"

// Record is what a Writer needs of a ledger.
type Record interface {
	publish.Cursors
	Stretch(ctx context.Context, after uint64) (*ledger.Stretch, error)
}

// Probe is one probe as /metrics shows it.
type Probe struct {
	Name, Station, Role string
	// Corrected is the reading after calibration: the record holds what the probe gave.
	Corrected func(sensor.Reading) sensor.Reading
}

// Options are what a Writer needs to know. URL, Gather, Record, Newest, Recent and Now are required.
type Options struct {
	URL                    string // http or https, without a login
	Username, PasswordFile string // basic login
	BearerFile             string // or a token
	CAFile                 string // PEM; default the system's authorities
	CertFile, KeyFile      string // our certificate
	Protocol               Protocol
	Site, Version          string
	Probes                 []Probe
	// Gather gives the families that /metrics shows; those of ours go out every Every, default 15 s.
	Gather func() ([]*dto.MetricFamily, error)
	Every  time.Duration
	// BacklogRate is how many samples a second follow after an outage, at most; default 2000.
	BacklogRate int
	// Jitter bounds how long the first request after a start, and the backlog after an outage, is delayed by
	// chance: boards that come back together do not call together. Default none.
	Jitter time.Duration
	Record Record
	// Newest is the number of the newest sweep: a Writer without a cursor has what follows it to send, and no history.
	Newest func() uint64
	Recent *Recent
	Now    func() sensor.Instant
	Log    *slog.Logger   // default slog.Default()
	Rand   func() float64 // in [0,1); default random

	dial func(ctx context.Context, network, address string) (net.Conn, error) // a test's network
}

// The defaults, and the pace of the live readings: often enough that none is later than five seconds, seldom enough
// that a thousand boards are 250 requests a second.
const (
	DefaultEvery       = 15 * time.Second
	DefaultBacklogRate = 2000
	liveEvery          = 4 * time.Second
)

// Writer is at work while Run is. It is asked by nobody and holds nobody up.
type Writer struct {
	o      Options
	rare   *publish.Rare
	probes map[string]*probe

	mu    sync.Mutex
	http  *http.Client // nil until it is needed
	plain atomic.Bool  // with Auto: the receiver takes 1.0 alone

	live    sender
	late    sender
	rows    rows           // of the live readings
	stands  standingSeries // what the receiver has of the gathered ones
	healthy atomic.Bool    // the newest live request was answered
	backlog backlog
	oldest  atomic.Pointer[sensor.Instant] // of the backlog; nil without one
	apart   atomic.Pointer[time.Duration]  // the board's clock less the receiver's; nil while that is not known
}

// New gives a Writer. Files are read when they are needed.
func New(o Options) (*Writer, error) {
	u, err := url.Parse(o.URL)
	switch {
	case strings.Contains(o.URL, "@"):
		return nil, errors.New("remote write's url holds a login; give username and password_file, or bearer_file")
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		return nil, errors.New("remote write's url is no address of a receiver; write https://HOST/api/v1/write")
	case o.Record == nil || o.Recent == nil || o.Gather == nil || o.Newest == nil || o.Now == nil:
		return nil, errors.New("remote write lacks a record, the newest sweeps, the metrics or a clock; set Record, Newest, Recent, Gather and Now")
	case o.PasswordFile != "" && o.BearerFile != "":
		return nil, errors.New("remote write has a password and a token; keep one of the two")
	}
	if o.Protocol == "" {
		o.Protocol = V1
	}
	if o.Protocol != V1 && o.Protocol != V2 && o.Protocol != Auto {
		return nil, fmt.Errorf("%q is no protocol of remote write; write 1.0, 2.0 or auto", o.Protocol)
	}
	if o.Every <= 0 {
		o.Every = DefaultEvery
	}
	if o.BacklogRate <= 0 {
		o.BacklogRate = DefaultBacklogRate
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Rand == nil {
		o.Rand = rand.Float64
	}
	w := &Writer{o: o, rare: publish.NewRare(o.Log), probes: make(map[string]*probe, len(o.Probes))}
	for _, p := range o.Probes {
		temperature, up := p.series(o.Site)
		w.probes[p.Name] = &probe{temperature, up, p.Corrected}
	}
	w.rows.probes, w.backlog.rows.probes = w.probes, w.probes
	w.live = sender{w: w, what: "live readings", most: mostAtOnce}
	w.late = sender{w: w, what: "backlog", most: mostAtOnce, before: w.mayFollow}
	return w, nil
}

// version is the protocol that the next request speaks.
func (w *Writer) version() Protocol {
	if w.o.Protocol == V2 || w.o.Protocol == Auto && !w.plain.Load() {
		return V2
	}
	return V1
}

// Run sends until ctx ends, and returns once the receiver was told that the series end and the cursor is saved, or
// after four seconds.
func (w *Writer) Run(ctx context.Context) {
	if w.begin(ctx) {
		var wg sync.WaitGroup
		wg.Go(func() { w.follow(ctx) })
		w.goLive(ctx)
		wg.Wait()
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), farewell)
	defer cancel()
	w.end(last)
	disk, done := context.WithTimeout(context.WithoutCancel(ctx), lastLook)
	defer done()
	w.settle(disk)
}

// A Writer that stops takes leave of the receiver in farewell, with a moment's grace for what is on its way before and
// after, and finds its place in the record in lastLook.
const (
	farewell = 2 * time.Second
	lastLook = time.Second
)

// Figures are how a Writer does. They wait for nothing.
type Figures struct {
	Counts
	// Backlog is the age of the oldest sweep that was not sent.
	Backlog time.Duration
	// LastSuccess is when the receiver last took something; zero never.
	LastSuccess sensor.Instant
	// Apart is the board's clock less the receiver's, as of its last answer; nil while that is not known.
	Apart *time.Duration
	// Trouble is why nothing gets to the receiver, in words; empty while all is well.
	Trouble string
	// TooOldLately is set while samples were refused as too old within the last hour; RefusedLately says why others
	// were within that time, empty when none were.
	TooOldLately  bool
	RefusedLately string
}

// Figures tell how it does now.
func (w *Writer) Figures() Figures {
	r, now := w.o.Recent, w.o.Now()
	oldest := r.oldest()
	if late := w.oldest.Load(); late != nil {
		oldest = *late
	}
	r.mu.Lock()
	f := Figures{Counts: r.counts, LastSuccess: r.lastSuccess.Rebase(now), Apart: w.apart.Load()}
	lately := func(at sensor.Instant) bool {
		d, _ := now.Sub(at)
		return !at.IsZero() && d < time.Hour
	}
	f.TooOldLately = lately(r.tooOldAt)
	if lately(r.refusedAt) {
		f.RefusedLately = r.why
	}
	r.mu.Unlock()
	if !oldest.IsZero() {
		d, _ := now.Sub(oldest)
		f.Backlog = max(0, d)
	}
	if why := w.live.trouble.Load(); why != nil {
		f.Trouble = *why
	} else if why := w.late.trouble.Load(); why != nil {
		f.Trouble = *why
	}
	return f
}

// worthSaying is a backlog that people are told of; live readings wait a few seconds, always.
const worthSaying = 30 * time.Second

// mostApart is how far two clocks that are both set by the network may seem to lie apart, a slow answer included.
const mostApart = 5 * time.Minute

// clocks says which of the two clocks is ahead; empty while neither is.
func (f *Figures) clocks() string {
	const look = ": see which is wrong and put it right, for the readings bear the board's time"
	switch {
	case f.Apart == nil || f.Apart.Abs() <= mostApart:
		return ""
	case *f.Apart > 0:
		return "the board's clock is " + rules.Words(*f.Apart) + " ahead of the receiver's" + look
	}
	return "the board's clock is " + rules.Words(-*f.Apart) + " behind the receiver's" + look
}

// Words say it to people; trouble is what ought to be looked at.
func (f *Figures) Words() (text string, trouble bool) {
	behind := ""
	if f.Backlog >= worthSaying {
		behind = "; the readings of " + rules.Words(f.Backlog) + " wait, and lie in the record"
	}
	switch {
	case f.Trouble != "":
		return f.Trouble + behind, true
	case f.clocks() != "":
		return f.clocks() + behind, true
	case f.TooOldLately:
		return fmt.Sprintf("the receiver refused %d samples as too old or out of order; raise %s there above the longest outage", f.TooOld, window) + behind, true
	case f.RefusedLately != "":
		return fmt.Sprintf("the receiver refused %d samples, which are dropped; %s", f.Refused-f.TooOld, f.RefusedLately) + behind, true
	case f.LastSuccess.IsZero():
		return "not sent yet" + behind, false
	}
	return "the receiver takes the readings" + behind, false
}
