// Package publishtest is the conformance suite that every publish.Publisher passes.
package publishtest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Key is what makes one event one event, wherever it arrives.
type Key struct {
	Ledger string
	Seq    uint64
}

// Rig is a publisher under test and a hold on its far end.
type Rig struct {
	Publisher publish.Publisher
	// Received gives the key of everything that the far end holds, in order of arrival; a thing that
	// arrived twice may stand twice. What Deliver has returned nil for must be in it.
	Received func() []Key
	// Break makes the far end unreachable or silent, Mend cures it.
	Break, Mend func()
	// Refuse makes the far end refuse the event with this Seq for good. nil when this kind of publisher
	// knows no such thing.
	Refuse func(seq uint64)
}

// guard ends a test that would hang. No figure of speed is asserted with it.
const guard = 20 * time.Second

// arrival is how long the far end may take to show what it has acknowledged.
const arrival = 5 * time.Second

// ledgerID is the ledger that the suite's events are from.
const ledgerID = "0123456789abcdef0123456789abcdef"

// Run runs the suite. start gives a fresh rig, whose far end works and has received nothing, and cleans
// up with t.Cleanup.
func Run(t *testing.T, start func(t *testing.T) Rig) {
	t.Run("the name is stable", func(t *testing.T) {
		p := start(t).Publisher
		first := p.Name()
		p.Show(State(1))
		if again := p.Name(); first == "" || again != first {
			t.Errorf("Name is %q, then %q", first, again)
		}
	})
	t.Run("the same event twice is harmless", func(t *testing.T) { twice(t, start(t)) })
	t.Run("order is kept", func(t *testing.T) { order(t, start(t)) })
	t.Run("deliver honours its context", func(t *testing.T) { honours(t, start(t)) })
	t.Run("a passing failure is retried", func(t *testing.T) { retried(t, start(t)) })
	// Some kinds of publisher know no permanent failure: there is nothing to test then.
	if start(t).Refuse != nil {
		t.Run("a permanent failure is passed over", func(t *testing.T) { refused(t, start(t)) })
	}
	t.Run("show never blocks", func(t *testing.T) { shows(t, start(t)) })
}

// Events gives n events as a kitchen makes them, with Seq from 1.
func Events(n int) []rules.Event {
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 11, 0, 0, 0, time.UTC), Mono: time.Hour, Believed: true}
	limit := sensor.FahrenheitLimit(135)
	events := make([]rules.Event, n)
	for i := range events {
		kind, state := rules.AlarmRaised, rules.Unacknowledged
		if i%2 == 1 {
			kind, state = rules.AlarmCleared, rules.Returned
		}
		events[i] = rules.Event{Seq: uint64(i) + 1, Kind: kind, At: at.Add(time.Duration(i) * time.Minute),
			Since: at.Add(time.Duration(i)*time.Minute - time.Second), Alarm: rules.BelowHotLimit,
			Station: "warmer", Lot: "brisket", Probe: "warmer-core", Priority: rules.Critical, State: state,
			Temp: &limit, Basis: "FDA Food Code 2022 3-501.16(A)(1)",
			Text: fmt.Sprintf("Example %d: the brisket in the warmer is at its hot limit.", i+1)}
	}
	return events
}

// State is a state that a publisher can show.
func State(seq uint64) *rules.State {
	temp := sensor.FahrenheitLimit(150)
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 11, 0, 0, 0, time.UTC), Mono: time.Hour, Believed: true}
	return &rules.State{Site: "demo-kitchen", Units: rules.Fahrenheit, At: at.Add(time.Duration(seq) * time.Second), Seq: seq, Sweeps: seq,
		Probes: []rules.ProbeState{{Name: "warmer-core", Station: "warmer", Role: "food",
			Raw: sensor.Reading{Temp: temp}, Reading: sensor.Reading{Temp: temp}, LastValid: at, Valid: seq}},
		Stations: []rules.StationState{{Name: "warmer", Purpose: rules.HotHolding, Armed: true, Food: []string{"warmer-core"}}},
		Lots: []rules.LotState{{Lot: "brisket", Food: "beef", Station: "warmer", Stage: rules.HotHolding, Begun: at,
			Probes: []string{"warmer-core"}, Temp: &temp, Probe: "warmer-core", Verdict: rules.OK, Text: "Example: held hot."}},
	}
}

func twice(t *testing.T, r Rig) {
	events := Events(2)
	for _, i := range []int{0, 0, 1, 1, 0} {
		deliver(t, r, events[i])
	}
	wantOnce(t, r, 1, 2)
}

func order(t *testing.T, r Rig) {
	var want []uint64
	for _, ev := range Events(25) {
		deliver(t, r, ev)
		want = append(want, ev.Seq)
	}
	wantOnce(t, r, want...)
}

func honours(t *testing.T, r Rig) {
	r.Break()
	for name, ctx := range map[string]func() (context.Context, context.CancelFunc){
		"cancelled": func() (context.Context, context.CancelFunc) {
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			return ctx, cancel
		},
		"short": func() (context.Context, context.CancelFunc) {
			return context.WithTimeout(t.Context(), 100*time.Millisecond)
		},
	} {
		ctx, cancel := ctx()
		err := within(t, "Deliver with a "+name+" context", func() error { return r.Publisher.Deliver(ctx, ledgerID, Events(1)[0]) })
		cancel()
		if err == nil {
			t.Errorf("Deliver with a %s context and a broken far end gives no error", name)
		}
		if publish.IsPermanent(err) {
			t.Errorf("a far end that cannot be reached is taken for a permanent failure: %v", err)
		}
	}
	r.Mend()
}

func retried(t *testing.T, r Rig) {
	r.Break()
	c, until := courier(t, r, Events(4))
	var first attempt
	until(func(a attempt) bool { first = a; return true })
	r.Mend()
	if first.seq != 1 || first.err == nil || publish.IsPermanent(first.err) {
		t.Fatalf("with a broken far end the first attempt is one of event %d and gives %v, want event 1 and a passing failure", first.seq, first.err)
	}
	until(func(a attempt) bool { return a.seq == 4 && a.err == nil })
	wantOnce(t, r, 1, 2, 3, 4)
	if c.Failures() == 0 {
		t.Error("the courier counts no failure, yet the far end was broken")
	}
}

func refused(t *testing.T, r Rig) {
	r.Refuse(2)
	c, until := courier(t, r, Events(3))
	until(func(a attempt) bool { return a.seq == 3 && a.err == nil })
	wantOnce(t, r, 1, 3)
	if c.Refused() != 1 {
		t.Errorf("the courier counts %d refused events, want 1", c.Refused())
	}
}

func shows(t *testing.T, r Rig) {
	r.Break()
	within(t, "Show", func() error {
		for seq := range uint64(2000) {
			r.Publisher.Show(State(seq + 1))
		}
		return nil
	})
	r.Mend()
	// It also goes beside a delivery.
	done := make(chan struct{})
	go func() {
		defer close(done)
		for seq := range uint64(200) {
			r.Publisher.Show(State(3000 + seq))
		}
	}()
	for _, ev := range Events(3) {
		// Of an alarm that the state knows to be over, a phone tells beginning and end in one.
		ev.Kind, ev.State = rules.AlarmRaised, rules.Unacknowledged
		deliver(t, r, ev)
	}
	within(t, "Show beside Deliver", func() error { <-done; return nil })
	wantOnce(t, r, 1, 2, 3)
}

// deliver tries until the far end has the event: right after Mend a publisher may still be on its way
// back.
func deliver(t *testing.T, r Rig, ev rules.Event) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), guard)
	defer cancel()
	for {
		err := r.Publisher.Deliver(ctx, ledgerID, ev)
		if err == nil {
			return
		}
		if publish.IsPermanent(err) || ctx.Err() != nil {
			t.Fatalf("Deliver of event %d: %v", ev.Seq, err)
		}
		pause(ctx)
	}
}

func pause(ctx context.Context) {
	timer := time.NewTimer(5 * time.Millisecond)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// wantOnce holds the far end to the events of these Seqs, each at least once, first arrivals in order. It
// waits for the last of them: a broker may acknowledge a message before it passes it on.
func wantOnce(t *testing.T, r Rig, seqs ...uint64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), arrival)
	defer cancel()
	got := arrived(t, r)
	for len(got) < len(seqs) && ctx.Err() == nil {
		pause(ctx)
		got = arrived(t, r)
	}
	if !slices.Equal(got, seqs) {
		t.Errorf("the far end has events %v, want %v", got, seqs)
	}
}

// arrived gives the Seqs that the far end has, in the order in which each first arrived.
func arrived(t *testing.T, r Rig) []uint64 {
	t.Helper()
	var seqs []uint64
	for _, k := range r.Received() {
		if k.Ledger != ledgerID {
			t.Fatalf("event %d arrived as one of ledger %q, want %q", k.Seq, k.Ledger, ledgerID)
		}
		if !slices.Contains(seqs, k.Seq) {
			seqs = append(seqs, k.Seq)
		}
	}
	return seqs
}

// within runs f, and fails the test when it does not come back.
func within(t *testing.T, what string, f func() error) error {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- f() }()
	timer := time.NewTimer(guard)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		t.Fatalf("%s does not come back", what)
		return errors.New("unreachable")
	}
}

// watched tells of every attempt.
type watched struct {
	publish.Publisher
	attempts chan attempt
}

type attempt struct {
	seq uint64
	err error
}

func (w *watched) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	err := w.Publisher.Deliver(ctx, ledger, ev)
	select {
	case w.attempts <- attempt{ev.Seq, err}:
	case <-ctx.Done():
	}
	return err
}

// courier sets a courier to work on the events. until lets it go on up to the first attempt for which is
// holds.
func courier(t *testing.T, r Rig, events []rules.Event) (c *publish.Courier, until func(is func(attempt) bool)) {
	tail := publish.NewTail(0, 0, nil)
	tail.Add(events)
	w := &watched{Publisher: r.Publisher, attempts: make(chan attempt)}
	c = publish.NewCourier(w, tail, &cursors{}, publish.CourierOptions{
		Attempt: 2 * time.Second, MinBackoff: 5 * time.Millisecond, MaxBackoff: 50 * time.Millisecond,
		Log: slog.New(slog.DiscardHandler)})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.Run(ctx)
	}()
	t.Cleanup(func() { cancel(); <-done })
	return c, func(is func(attempt) bool) {
		t.Helper()
		timer := time.NewTimer(guard)
		defer timer.Stop()
		for {
			select {
			case a := <-w.attempts:
				if is(a) {
					return
				}
			case <-timer.C:
				t.Fatalf("the courier does not get there: %v", c.LastError())
			}
		}
	}
}

// cursors keeps nothing: every run starts anew.
type cursors struct{}

func (*cursors) ID() string                                           { return ledgerID }
func (*cursors) Cursor(context.Context, string) (uint64, bool, error) { return 0, false, nil }
func (*cursors) SetCursor(context.Context, string, uint64) error      { return nil }
