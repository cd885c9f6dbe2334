// Package page shows a kitchen in a browser: every lot as a paper ticket on a rail, its stations, alarms,
// record and board. Each page is rendered whole on the server and works without scripts; with them it is
// told what changes, as server-sent events. The same handlers answer the control socket.
package page

import (
	"context"
	"crypto/rand"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options is what a Page needs. Now alone is required.
type Options struct {
	// Now is the daemon's clock. Ages, staleness and the time left are counted against it.
	Now func() sensor.Instant
	// Period is the time between two sweeps; 0 means a second. It bounds when a state is stale.
	Period time.Duration
	// Zone is the zone of the clock times; nil means the machine's own.
	Zone *time.Location
	// Refresh is how often a page without scripts loads itself anew; 0 means 5 s.
	Refresh time.Duration

	// Mark takes a mark and returns once it is durable, with an answer for the person. An error that is
	// or wraps a *RefusedError, or a *rules.MarkError, means that the mark itself is wrong; any other one
	// that it could not be made durable in time. nil: no marks are taken.
	Mark func(ctx context.Context, m rules.Mark) (answer string, err error)
	// Visitor tells who sends a request and whether they may mark; nil means LocalVisitor.
	Visitor func(r *http.Request) Visitor

	// SignIn answers a token that was typed at /sign-in: nil once w carries the proof of it for later
	// requests, else an error for the person, best a *RefusedError. nil: there is no such form.
	SignIn func(w http.ResponseWriter, r *http.Request, token string) error

	// ReplyKey makes the paths of ReplyPath good; without one, or without Mark, there are none.
	ReplyKey []byte

	// Events are the newest ones of before the start, oldest first, to be shown with the later ones.
	Events []rules.Event
	// Past gives the recorded events that the walls place from from to to, in order; nil: the record's page
	// shows what the page keeps.
	Past func(ctx context.Context, from, to time.Time) ([]rules.Event, error)
	// Readings gives the recorded sweeps of a span, corrected by the calibrations that hold now, until visit
	// returns false; nil: charts show what the page keeps. A sweep is valid during the call only.
	Readings func(ctx context.Context, from, to time.Time, visit func(probes []string, s *sensor.Sweep) bool) error
	// Papers makes comparisons and documents of the record; nil: none are offered.
	Papers Papers
	// HotLimit and ColdLimit are the food code's, for the charts; nil draws none.
	HotLimit, ColdLimit *sensor.Temp
	// Config is the configuration in force; without a hash the page does not speak of it.
	Config publish.Config
	// Board adds lines about the board's health, such as a broker that cannot be reached; nil adds none.
	// Its text is shown to whoever can open the page: no secret may stand in it.
	Board func() []BoardFact

	Log *slog.Logger // nil means slog.Default()
}

// BoardFact is one line about the board's health.
type BoardFact struct {
	Name    string
	Value   string
	Trouble bool
}

// Page is a publish.Publisher that shows the latest state over HTTP.
type Page struct {
	opt     Options
	state   atomic.Pointer[rules.State]
	events  atomic.Pointer[[]delivered] // oldest first, never changed in place
	turn    chan struct{}               // held by the one who replaces events
	tail    tail                        // the last readings, which the record does not have yet
	answers answers
	newID   func() string
	hub     *hub
	serial  atomic.Uint64 // of the frames
	charts  charts
	desk    chan struct{} // held by the one for whom papers are made
	// compared is the newest comparison; who holds desk may touch it.
	compared sidesKept

	files *files
	parts *template.Template
	pages map[string]*template.Template
	label map[string]string
}

// delivered is an event with the ledger that it is from.
type delivered struct {
	ledger string
	ev     rules.Event
}

// maxEvents is how many events the page keeps: a quiet day of one kitchen.
const maxEvents = 60

// New builds a Page that has no state yet.
func New(o Options) (*Page, error) {
	if o.Now == nil {
		return nil, errors.New("page: Options.Now is missing; give the daemon's clock")
	}
	if o.Period < 0 || o.Refresh < 0 {
		return nil, errors.New("page: Options.Period and Options.Refresh cannot be negative; leave them zero for the defaults")
	}
	if o.Period == 0 {
		o.Period = time.Second
	}
	if o.Refresh == 0 {
		o.Refresh = 5 * time.Second
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Visitor == nil {
		o.Visitor = LocalVisitor
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	p := &Page{opt: o, turn: make(chan struct{}, 1), desk: make(chan struct{}, 1), newID: rand.Text, hub: newHub()}
	kept := make([]delivered, 0, maxEvents)
	for _, ev := range o.Events[max(0, len(o.Events)-maxEvents):] {
		kept = append(kept, delivered{ev: ev})
	}
	p.events.Store(&kept)
	p.answers.byID = map[string]*answer{}
	var err error
	if p.files, err = loadFiles(); err != nil {
		return nil, err
	}
	if err = p.loadTemplates(); err != nil {
		return nil, err
	}
	return p, nil
}

// Name is "page".
func (p *Page) Name() string { return "page" }

// Show replaces the state that the page shows. It never blocks.
func (p *Page) Show(st *rules.State) {
	p.state.Store(st)
	p.tail.add(st)
	p.hub.changed(st.Seq, false)
}

// Deliver adds an event to the list of recent ones; one that is there already stays once. The error is
// the context's.
func (p *Page) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case p.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-p.turn }()
	old := *p.events.Load()
	// An event from Options.Events carries no ledger; it is of the one that delivers.
	if slices.ContainsFunc(old, func(d delivered) bool {
		return d.ev.Seq == ev.Seq && (d.ledger == ledger || d.ledger == "")
	}) {
		return nil
	}
	kept := append(make([]delivered, 0, maxEvents), old[max(0, len(old)-maxEvents+1):]...)
	kept = append(kept, delivered{ledger, ev})
	p.events.Store(&kept)
	p.hub.changed(0, true)
	return nil
}

// staleAfter is the age from which a state no longer counts as the present one.
func (p *Page) staleAfter() time.Duration { return max(5*time.Second, 5*p.opt.Period) }

// Handler serves the pages, the marks, the state as JSON and the health check.
func (p *Page) Handler() http.Handler {
	mux := http.NewServeMux()
	for _, view := range []string{"rail", "station", "lot", "alarms", "board"} {
		mux.HandleFunc("GET "+pathOf(view), func(w http.ResponseWriter, r *http.Request) { p.serveView(w, r, view) })
	}
	mux.HandleFunc("GET /record", p.serveRecord)
	mux.HandleFunc("GET /figures", p.serveFigures)
	if p.opt.Papers != nil {
		mux.HandleFunc("GET /compare", p.serveCompare)
		mux.HandleFunc("GET /compare.json", p.serveOverlay)
		mux.HandleFunc("GET /compare/print", p.servePrintedSides)
		mux.HandleFunc("GET /record/print", p.servePrintedDay)
	}
	mux.HandleFunc("GET /chart.json", p.serveChart)
	mux.HandleFunc("GET /live", p.serveLive)
	mux.HandleFunc("GET /manifest.webmanifest", p.serveManifest)
	mux.HandleFunc("GET /mark", p.serveMarkForm)
	mux.HandleFunc("POST /mark", p.serveMark)
	if p.opt.SignIn != nil {
		mux.HandleFunc("GET /sign-in", p.serveSignIn)
		mux.HandleFunc("POST /sign-in", p.takeSignIn)
	}
	if len(p.opt.ReplyKey) > 0 && p.opt.Mark != nil {
		mux.HandleFunc("GET "+replyPath+"{code}", p.serveReply)
		mux.HandleFunc("POST "+replyPath+"{code}", p.takeReply)
	}
	mux.HandleFunc("GET /healthz", p.serveHealth)
	mux.HandleFunc("GET /state", p.serveState)
	mux.Handle("GET "+filePath, p.files)
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "This mark came from another site's page and was not taken; make it on the kitchen's own page.", http.StatusForbidden)
	}))
	inner := guard.Handler(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", p.files.policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not no-referrer: with it browsers send "Origin: null" with our own forms, which the guard against
		// other sites would have to refuse.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		inner.ServeHTTP(w, r)
	})
}

// answers keeps what was answered to the forms, so that a double click is one mark and the page after
// it can show the answer.
type answers struct {
	mu    sync.Mutex
	byID  map[string]*answer
	order []string
}

// answer is one mark's answer; text and err hold once done is closed.
type answer struct {
	done chan struct{}
	mark rules.Mark
	text string
	err  error
}
