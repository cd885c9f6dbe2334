package panel

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options are what a Panel needs to know. Now and Mark are required; each part is left out when it is nil.
type Options struct {
	Now    func() sensor.Instant
	Period time.Duration // of the sweeps
	// Mark enters a mark and returns once it is durable.
	Mark func(context.Context, rules.Mark) (string, error)

	Buzzer, Lamp, Button *Line
	Display              *Display
	Buses                sensor.Buses // that the display's is among

	Zone *time.Location // default time.Local
	Log  *slog.Logger   // default slog.Default()
}

// stale is the age from which a state no longer counts as the present one, as on the page.
func (o *Options) stale() time.Duration { return max(5*time.Second, 5*o.Period) }

// By is who acknowledges at the button.
const By = "panel"

// testLength is how long a test of buzzer and lamp lasts.
const testLength = 3 * time.Second

// Panel is a publisher that needs no deliveries: it goes by the states alone.
type Panel struct {
	o     Options
	lines lines

	buzzer, lamp *output
	button       *button
	face         *face

	state   atomic.Pointer[rules.State]
	shown   chan struct{} // a state is new
	kick    chan struct{} // the display is to look at once
	presses chan press

	mu     sync.Mutex
	asking bool            // an acknowledgement is under way
	hushed map[uint64]bool // alarms that it is about, by Seq, until a state tells that it was taken
	until  time.Time       // or until then; zero while it is under way
	test   time.Time       // until when a test lasts
}

// New gives a Panel. It opens nothing: that is Run's.
func New(o Options) (*Panel, error) { return build(o, kernelLines{}) }

func build(o Options, from lines) (*Panel, error) {
	switch {
	case o.Now == nil:
		return nil, errors.New("the panel has no clock; set Now")
	case o.Mark == nil:
		return nil, errors.New("the panel has nobody to hand a mark to; set Mark")
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	p := &Panel{o: o, lines: from, shown: make(chan struct{}, 1), kick: make(chan struct{}, 1), presses: make(chan press, 1)}
	out := func(what string, l *Line) *output {
		if l == nil {
			return nil
		}
		return &output{health: health{what: what, log: o.Log}, line: *l, lines: from}
	}
	p.buzzer, p.lamp = out("the buzzer", o.Buzzer), out("the lamp", o.Lamp)
	if o.Button != nil {
		p.button = &button{health: health{what: "the button", log: o.Log}, line: *o.Button, lines: from}
	}
	if o.Display != nil {
		p.face = newFace(&p.o, from, o.Log)
	}
	return p, nil
}

// Name implements publish.Publisher.
func (p *Panel) Name() string { return "panel" }

// Deliver implements publish.Publisher.
func (p *Panel) Deliver(context.Context, string, rules.Event) error { return nil }

// Show implements publish.Publisher.
func (p *Panel) Show(st *rules.State) {
	p.state.Store(st)
	poke(p.shown)
}

// poke wakes whoever waits on c, if nobody has yet.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Trouble says of each part that does not work why; nil while all do.
func (p *Panel) Trouble() (all []string) {
	var parts []*health
	for _, o := range []*output{p.buzzer, p.lamp} {
		if o != nil {
			parts = append(parts, &o.health)
		}
	}
	if p.button != nil {
		parts = append(parts, &p.button.health)
	}
	if p.face != nil {
		parts = append(parts, &p.face.health)
	}
	for _, h := range parts {
		if why := h.trouble(); why != "" {
			all = append(all, why)
		}
	}
	return all
}

// Run is at work until ctx ends. Then buzzer and lamp are off, and the display says that nobody watches.
func (p *Panel) Run(ctx context.Context) {
	var wg sync.WaitGroup
	defer wg.Wait()
	if p.button != nil {
		wg.Go(func() {
			p.button.run(ctx, func(k press) {
				select {
				case p.presses <- k:
				case <-ctx.Done():
				}
			})
		})
	}
	if p.face != nil {
		wg.Go(func() { p.face.run(ctx, p.look, p.kick) })
	}
	p.ring(ctx, &wg)
	for _, o := range []*output{p.buzzer, p.lamp} {
		if o != nil {
			o.close()
		}
	}
}

// look is what the display asks for.
func (p *Panel) look() (st *rules.State, test bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state.Load(), time.Now().Before(p.test)
}

// ring drives buzzer and lamp, and takes what the button tells.
func (p *Panel) ring(ctx context.Context, wg *sync.WaitGroup) {
	var sound, light player
	timer := time.NewTimer(0)
	defer timer.Stop()
	silent := false // somebody pressed the button about a state that is stale
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.shown:
		case <-timer.C:
		case k := <-p.presses:
			if k == longPress {
				p.mu.Lock()
				p.test = time.Now().Add(testLength)
				p.mu.Unlock()
				p.o.Log.Info("the panel is tested at its button")
				poke(p.kick)
				break
			}
			silent = true
			p.acknowledge(ctx, wg)
		}
		h, s, fresh := p.signals()
		if fresh {
			silent = false
		} else if silent {
			h = quiet
		}
		next := min(play(p.buzzer, &sound, h, signal.sound), play(p.lamp, &light, s, signal.light))
		timer.Reset(next)
	}
}

// signals says what is to be heard and seen now. A state that is old is told like a warning, and shown like an alarm:
// nobody is watching the food.
func (p *Panel) signals() (h, s signal, fresh bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if time.Now().Before(p.test) {
		return trying, trying, true
	}
	st := p.state.Load()
	if st == nil {
		return quiet, quiet, true
	}
	if age, known := p.o.Now().Sub(st.At); known && age > p.o.stale() {
		return soft, loud, false
	}
	if !p.until.IsZero() && !time.Now().Before(p.until) {
		clear(p.hushed)
	}
	for seq := range p.hushed {
		if !slices.ContainsFunc(st.Alarms, func(a rules.AlarmState) bool { return a.Seq == seq && publish.WaitsForHand(&a) }) {
			delete(p.hushed, seq)
		}
	}
	return heard(st, p.hushed), seen(st), true
}

// acknowledge hands one mark for all that waits to the rules, as every other way does. Until the answer is there the
// buzzer leaves those alarms out, and no others.
func (p *Panel) acknowledge(ctx context.Context, wg *sync.WaitGroup) {
	st := p.state.Load()
	if st == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.asking {
		return
	}
	p.hushed, p.until = map[uint64]bool{}, time.Time{}
	for i := range st.Alarms {
		if a := &st.Alarms[i]; publish.WaitsForHand(a) {
			p.hushed[a.Seq] = true
		}
	}
	if len(p.hushed) == 0 {
		return
	}
	p.asking = true
	wg.Go(func() {
		said, err := p.o.Mark(ctx, rules.Mark{Kind: rules.MarkAcknowledge, By: By})
		if err != nil {
			p.o.Log.Warn("the button's acknowledgement was not taken as it should be", "err", err)
		} else {
			p.o.Log.Info("acknowledged at the button", "answer", said)
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		// The answer may come a moment before the state that it is about.
		p.asking, p.until = false, time.Now().Add(p.o.stale())
		if err != nil {
			p.until = time.Now()
		}
		poke(p.shown)
	})
}

// player is where a pattern is.
type player struct {
	now   signal
	began time.Time
}

// idle is how often the lines are looked after while nothing changes: one that has failed is tried again.
const idle = time.Second

// play switches o as its pattern asks for, and says when to come again.
func play(o *output, at *player, s signal, of func(signal) pattern) time.Duration {
	if o == nil {
		return idle
	}
	if s != at.now || at.began.IsZero() {
		at.now, at.began = s, time.Now()
	}
	on, left := of(s).at(time.Since(at.began))
	o.set(on)
	if left == 0 {
		return idle
	}
	return min(left, idle)
}
