package panel

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"holdbell/rules"
	"holdbell/sensor"
)

// fakeLines are lines of a board that is not there. Each is a pin of the library's, and what it did.
type fakeLines struct {
	mu     sync.Mutex
	began  time.Time
	pins   map[string]*fakePin
	broken map[string]bool
	seen   func(line string, l gpio.Level) // may be nil
}

type fakePin struct {
	gpiotest.Pin
	name  string
	of    *fakeLines
	first gpio.Level
	pull  gpio.Pull
	open  bool
	moves []move
}

type move struct {
	at time.Duration
	l  gpio.Level
}

func newFakeLines() *fakeLines {
	return &fakeLines{began: time.Now(), pins: map[string]*fakePin{}, broken: map[string]bool{}}
}

func (f *fakeLines) pin(name string) *fakePin {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.pins[name]
}

func (f *fakeLines) setBroken(name string, is bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.broken[name] = is
}

func (f *fakeLines) get(l Line) (*fakePin, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.broken[l.String()] {
		return nil, fmt.Errorf("%s: not on this board", l)
	}
	p := f.pins[l.String()]
	if p == nil {
		p = &fakePin{Pin: gpiotest.Pin{N: l.String(), EdgesChan: make(chan gpio.Level, 16)}, name: l.String(), of: f}
		f.pins[l.String()] = p
	}
	if p.open {
		return nil, fmt.Errorf("%s: busy", l)
	}
	p.open = true
	return p, nil
}

func (f *fakeLines) output(l Line, at gpio.Level) (pinOut, error) {
	p, err := f.get(l)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	p.first = at
	f.mu.Unlock()
	return p, p.Pin.Out(at)
}

func (f *fakeLines) input(l Line, pull gpio.Pull) (pinIn, error) {
	p, err := f.get(l)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	p.pull = pull
	f.mu.Unlock()
	return p, nil
}

func (p *fakePin) Out(l gpio.Level) error {
	p.of.mu.Lock()
	defer p.of.mu.Unlock()
	if p.of.broken[p.name] {
		return errors.New("unplugged")
	}
	p.moves = append(p.moves, move{time.Since(p.of.began), l})
	if p.of.seen != nil {
		p.of.seen(p.name, l)
	}
	return p.Pin.Out(l)
}

func (p *fakePin) Halt() error {
	p.of.mu.Lock()
	defer p.of.mu.Unlock()
	p.open = false
	return nil
}

// took gives what the pin did since it was last asked, with the times since then.
func (p *fakePin) took(since time.Duration) (all []move) {
	p.of.mu.Lock()
	defer p.of.mu.Unlock()
	for _, m := range p.moves {
		all = append(all, move{m.at - since, m.l})
	}
	p.moves = nil
	return all
}

// rig is a panel on such a board, in the bubble of a test.
type rig struct {
	*testing.T
	p     *Panel
	lines *fakeLines
	began time.Time
	mu    sync.Mutex
	marks []rules.Mark
	fail  error
	sweep uint64
	alarm []rules.AlarmState
	lots  []rules.LotState
	stop  func()
}

// The lines of the rig.
func buzzerLine() *Line { return &Line{Chip: "gpiochip0", Offset: 17} }
func lampLine() *Line   { return &Line{Name: "GPIO27", ActiveLow: true} }
func buttonLine() *Line { return &Line{Chip: "gpiochip0", Offset: 22, ActiveLow: true} }

// instant is the rig's clock.
func (r *rig) instant() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 5, 2, 14, 5, 0, 0, time.UTC).Add(time.Since(r.began)), Mono: time.Hour + time.Since(r.began), Believed: true}
}

// start runs a panel with every part that o names beside buzzer, lamp and button.
func start(t *testing.T, change func(*Options)) *rig {
	r := &rig{T: t, lines: newFakeLines(), began: time.Now()}
	o := Options{Now: r.instant, Period: time.Second, Buzzer: buzzerLine(), Lamp: lampLine(), Button: buttonLine(), Zone: time.UTC,
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Mark: r.mark}
	if change != nil {
		change(&o)
	}
	p, err := build(o, r.lines)
	if err != nil {
		t.Fatal(err)
	}
	r.p = p
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		p.Run(ctx)
	}()
	r.stop = func() {
		cancel()
		<-ended
	}
	return r
}

// mark is the daemon's end: it takes half a second to be durable.
func (r *rig) mark(ctx context.Context, m rules.Mark) (string, error) {
	time.Sleep(500 * time.Millisecond)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.marks = append(r.marks, m)
	if r.fail != nil {
		return "", r.fail
	}
	for i := range r.alarm {
		if r.alarm[i].Status == rules.Unacknowledged {
			r.alarm[i].Status = rules.Acknowledged
		}
	}
	return "Acknowledged: it.", nil
}

// show sweeps once a second for d.
func (r *rig) show(d time.Duration) {
	for range d / time.Second {
		r.mu.Lock()
		r.sweep++
		st := &rules.State{Units: rules.Fahrenheit, At: r.instant(), Sweeps: r.sweep}
		st.Alarms, st.Lots = append(st.Alarms, r.alarm...), append(st.Lots, r.lots...)
		r.mu.Unlock()
		r.p.Show(st)
		time.Sleep(time.Second)
	}
}

// ring makes one alarm stand.
func (r *rig) ring(seq uint64, p rules.Priority, s rules.AlarmStatus) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.alarm = append(r.alarm, rules.AlarmState{Seq: seq, Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket", Priority: p, Status: s, Active: s != rules.Returned})
}

// hold presses the button for d, with contacts that bounce.
func (r *rig) hold(d time.Duration) {
	pin := r.lines.pin(buttonLine().String())
	for _, l := range []gpio.Level{gpio.Low, gpio.High, gpio.Low} {
		pin.EdgesChan <- l
		time.Sleep(3 * time.Millisecond)
	}
	time.Sleep(d)
	for _, l := range []gpio.Level{gpio.High, gpio.Low, gpio.High} {
		pin.EdgesChan <- l
		time.Sleep(3 * time.Millisecond)
	}
}

// released is the button's pin before anybody touches it: pulled up.
func (r *rig) released() {
	r.Helper()
	time.Sleep(time.Millisecond)
	synctest.Wait()
	pin := r.lines.pin(buttonLine().String())
	if pin == nil || pin.pull != gpio.PullUp {
		r.Fatalf("the button's line is not pulled away from being pressed: %v", pin)
	}
	pin.EdgesChan <- gpio.High
	time.Sleep(100 * time.Millisecond)
}

func (r *rig) told() []rules.Mark {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]rules.Mark(nil), r.marks...)
}

// logbook is a log that can be looked at.
type logbook struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *logbook) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *logbook) logger() *slog.Logger { return slog.New(slog.NewTextHandler(b, nil)) }

func (b *logbook) count(what string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bytes.Count(b.text.Bytes(), []byte(what))
}
