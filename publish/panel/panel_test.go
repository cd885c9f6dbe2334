package panel

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/sensor"
)

// on adds up for how long a pin was on in what it did until end, and how often it went on.
func on(l *Line, moves []move, end time.Duration) (long time.Duration, times int) {
	var since time.Duration
	lit := false
	// What begins with the end belongs to what comes after.
	moves = slices.DeleteFunc(slices.Clone(moves), func(m move) bool { return m.at >= end })
	for _, m := range append(moves, move{end, l.level(false)}) {
		switch is := m.l == l.level(true); {
		case is && !lit:
			since, times = m.at, times+1
		case !is && lit:
			long += m.at - since
		}
		lit = m.l == l.level(true)
	}
	return long, times
}

// TestPatterns holds what is heard and seen of each state, over a minute of it.
func TestPatterns(t *testing.T) {
	discard := rules.LotState{Lot: "ribs", Verdict: rules.Discard}
	cases := []struct {
		name         string
		priority     rules.Priority
		status       rules.AlarmStatus
		lots         []rules.LotState
		sound, light time.Duration // on in a minute
		beeps        int
	}{
		{"critical", rules.Critical, rules.Unacknowledged, nil, 40 * time.Second, 30 * time.Second, 80},
		{"warning", rules.Warning, rules.Unacknowledged, nil, 4 * 120 * time.Millisecond, 30 * time.Second, 4},
		{"advice", rules.Advice, rules.Unacknowledged, nil, 0, time.Minute, 0},
		{"critical, acknowledged", rules.Critical, rules.Acknowledged, nil, 0, time.Minute, 0},
		{"critical, over", rules.Critical, rules.Returned, nil, 4 * 120 * time.Millisecond, 30 * time.Second, 4},
		{"warning, over", rules.Warning, rules.Returned, nil, 0, 30 * time.Second, 0},
		{"shelved", rules.Critical, rules.Shelved, nil, 0, 0, 0},
		{"out of service", rules.Critical, rules.OutOfService, nil, 0, 0, 0},
		{"well", "", "", nil, 0, 0, 0},
		{"a lot to discard that everybody knows of", "", "", []rules.LotState{discard}, 0, time.Minute, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, nil)
				defer r.stop()
				if r.lots = c.lots; c.status != "" {
					r.ring(7, c.priority, c.status)
				}
				from := time.Since(r.lines.began)
				r.show(time.Minute)
				buzzer, lamp := r.lines.pin(buzzerLine().String()), r.lines.pin(lampLine().String())
				sound, beeps := on(buzzerLine(), buzzer.took(from), time.Minute)
				light, _ := on(lampLine(), lamp.took(from), time.Minute)
				if sound != c.sound || beeps != c.beeps {
					t.Errorf("heard for %v in %d beeps, want %v in %d", sound, beeps, c.sound, c.beeps)
				}
				if light != c.light {
					t.Errorf("lit for %v, want %v", light, c.light)
				}
				if buzzer.first != gpio.Low || lamp.first != gpio.High {
					t.Errorf("opened with buzzer %v, lamp %v (active low): something was on for a moment", buzzer.first, lamp.first)
				}
			})
		})
	}
}

// TestFlashes holds the lamp to less than three flashes a second.
func TestFlashes(t *testing.T) {
	for _, s := range []signal{quiet, steady, soft, loud, trying} {
		p := s.light()
		var whole time.Duration
		for _, d := range p {
			whole += d
		}
		if len(p) > 1 && 3*whole <= time.Second*time.Duration(len(p)/2) {
			t.Errorf("signal %d flashes %d times in %v", s, len(p)/2, whole)
		}
	}
}

// TestAcknowledge holds the button: one mark for all that waits, by its name; no sound from the press on; sound again
// for an alarm that is new, and once the same rings again.
func TestAcknowledge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.released()
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.ring(9, rules.Warning, rules.Unacknowledged)
		r.show(3 * time.Second)
		r.hold(200 * time.Millisecond)
		time.Sleep(bounce + 10*time.Millisecond)
		buzzer := r.lines.pin(buzzerLine().String())
		buzzer.took(0)
		r.show(20 * time.Second)
		marks := r.told()
		if len(marks) != 1 || marks[0].Kind != rules.MarkAcknowledge || marks[0].By != By || marks[0].Alarm != "" || marks[0].Lot != "" {
			t.Fatalf("told %+v, want one acknowledgement of all, by %s", marks, By)
		}
		if moves := buzzer.took(0); len(moves) != 0 {
			t.Errorf("heard after it was acknowledged: %v", moves)
		}
		r.ring(12, rules.Warning, rules.Unacknowledged)
		r.show(2 * time.Second)
		if _, beeps := on(buzzerLine(), buzzer.took(0), time.Hour); beeps != 2 {
			t.Errorf("a new warning gave %d beeps, want 2", beeps)
		}
		r.mu.Lock()
		r.alarm[0].Status = rules.Unacknowledged // it has got worse
		r.mu.Unlock()
		r.show(3 * time.Second)
		if _, beeps := on(buzzerLine(), buzzer.took(0), time.Hour); beeps < 3 {
			t.Errorf("an alarm that rings again gave %d beeps in 3 s", beeps)
		}
	})
}

// TestRingsAgainAtOnce holds that an alarm which gets worse right after it was acknowledged is heard at once.
func TestRingsAgainAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.released()
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(2 * time.Second)
		r.hold(100 * time.Millisecond)
		r.show(2 * time.Second)
		r.mu.Lock()
		was := r.alarm[0].Status
		r.alarm[0].Status = rules.Unacknowledged
		r.mu.Unlock()
		if was != rules.Acknowledged {
			t.Errorf("it was %s after the button", was)
		}
		buzzer := r.lines.pin(buzzerLine().String())
		buzzer.took(0)
		r.show(time.Second)
		if len(buzzer.took(0)) == 0 {
			t.Error("the button silences an alarm that rings again")
		}
	})
}

// TestBounce holds that a press is told once, and as what it is, however its contacts bounce.
func TestBounce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, func(o *Options) { o.Button = nil })
		defer r.stop()
		var told []press
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			b := &button{health: health{log: r.p.o.Log}, line: *buttonLine(), lines: r.lines}
			b.run(ctx, func(k press) { told = append(told, k) })
		}()
		r.released()
		for _, d := range []time.Duration{50 * time.Millisecond, long - 100*time.Millisecond, long + 100*time.Millisecond, 20 * time.Second} {
			r.hold(d)
			time.Sleep(time.Second)
		}
		r.lines.pin(buttonLine().String()).EdgesChan <- gpio.Low // a spark
		r.lines.pin(buttonLine().String()).EdgesChan <- gpio.High
		time.Sleep(time.Second)
		cancel()
		<-ended
		if want := []press{shortPress, shortPress, longPress, longPress}; !slices.Equal(told, want) {
			t.Errorf("told %v, want %v", told, want)
		}
	})
}

// TestRefused holds that a mark which could not be made leaves the alarm ringing, and that a new alarm is heard while
// an acknowledgement is under way.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.released()
		r.fail = errors.New("too many marks are waiting")
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(2 * time.Second)
		r.hold(100 * time.Millisecond)
		time.Sleep(bounce + 5*time.Millisecond)
		buzzer := r.lines.pin(buzzerLine().String())
		if buzzer.Read() {
			t.Error("the buzzer sounds while the acknowledgement is under way")
		}
		r.ring(8, rules.Critical, rules.Unacknowledged)
		buzzer.took(0)
		r.p.Show(&rules.State{At: r.instant(), Alarms: slices.Clone(r.alarm)})
		time.Sleep(50 * time.Millisecond)
		if !buzzer.Read() {
			t.Error("a new alarm is not heard while another is being acknowledged")
		}
		r.show(3 * time.Second)
		if _, beeps := on(buzzerLine(), buzzer.took(0), time.Hour); len(r.told()) != 1 || beeps < 4 {
			t.Errorf("%d marks, %d beeps: the alarm that was not acknowledged is silent", len(r.told()), beeps)
		}
	})
}

// TestLongPress holds that holding the button tests buzzer and lamp, and acknowledges nothing.
func TestLongPress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.released()
		r.show(time.Second)
		from := time.Since(r.lines.began)
		r.hold(4 * time.Second)
		r.show(10 * time.Second)
		buzzer, lamp := r.lines.pin(buzzerLine().String()).took(from), r.lines.pin(lampLine().String()).took(from)
		if sound, beeps := on(buzzerLine(), buzzer, time.Minute); beeps != 5 || sound != testLength/2 {
			t.Errorf("the test gave %d beeps of %v in all: %v", beeps, sound, buzzer)
		}
		if light, flashes := on(lampLine(), lamp, time.Minute); flashes != 5 || light != testLength/2 {
			t.Errorf("the test gave %d flashes of %v in all", flashes, light)
		}
		if len(buzzer) > 0 && (buzzer[0].at < long || buzzer[0].at > long+time.Second) {
			t.Errorf("the test began after %v, want %v", buzzer[0].at, long)
		}
		if got := r.told(); len(got) != 0 {
			t.Errorf("a long press was told as %v", got)
		}
	})
}

// TestHeldAtStart holds that a button that is down, or shorted, when the watch begins says nothing.
func TestHeldAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(time.Second) // the pin is low: pressed
		r.show(10 * time.Second)
		r.released()
		r.show(2 * time.Second)
		if got := r.told(); len(got) != 0 {
			t.Errorf("told %v", got)
		}
		if !time.Now().After(r.p.test) || !r.p.test.IsZero() {
			t.Error("a button that was never pressed has begun a test")
		}
	})
}

// TestStale holds that a watch that has stopped is told, and that the button silences it.
func TestStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		defer r.stop()
		r.released()
		r.show(2 * time.Second)
		time.Sleep(40 * time.Second)
		buzzer, lamp := r.lines.pin(buzzerLine().String()), r.lines.pin(lampLine().String())
		if _, beeps := on(buzzerLine(), buzzer.took(0), time.Hour); beeps != 4 {
			t.Errorf("%d beeps while nobody watches, want two pairs", beeps)
		}
		if _, flashes := on(lampLine(), lamp.took(0), time.Hour); flashes < 60 {
			t.Errorf("%d flashes while nobody watches", flashes)
		}
		r.hold(100 * time.Millisecond)
		time.Sleep(bounce)
		buzzer.took(0)
		time.Sleep(time.Minute)
		if moves := buzzer.took(0); len(moves) != 0 {
			t.Errorf("heard after the button: %v", moves)
		}
		r.show(3 * time.Second)
		lamp.took(0)
		r.show(5 * time.Second)
		if moves := lamp.took(0); len(moves) != 0 || lamp.Read() != lampLine().level(false) {
			t.Errorf("the lamp does %v once the watch goes on", moves)
		}
	})
}

// TestStop holds that nothing is left on.
func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, nil)
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(2 * time.Second)
		time.Sleep(100 * time.Millisecond)
		r.stop()
		for _, l := range []*Line{buzzerLine(), lampLine()} {
			if p := r.lines.pin(l.String()); p.Read() != l.level(false) || p.open {
				t.Errorf("%s is left at %v, open %v", l, p.Read(), p.open)
			}
		}
	})
}

// TestBrokenLines holds that a part fails alone, is told once, and comes back by itself.
func TestBrokenLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log logbook
		r := start(t, func(o *Options) { o.Log = log.logger() })
		defer r.stop()
		time.Sleep(time.Millisecond)
		r.lines.setBroken(buzzerLine().String(), true)
		r.ring(7, rules.Critical, rules.Unacknowledged)
		r.show(5 * time.Minute)
		if got := r.p.Trouble(); len(got) != 1 || !strings.Contains(got[0], "the buzzer: ") {
			t.Errorf("trouble is %q", got)
		}
		if lamp := r.lines.pin(lampLine().String()); len(lamp.took(0)) < 1000 {
			t.Error("the lamp stands still beside a buzzer that fails")
		}
		if n := log.count("level=WARN"); n != 1 {
			t.Errorf("the failure was told %d times", n)
		}
		r.lines.setBroken(buzzerLine().String(), false)
		r.show(time.Minute + 2*time.Second)
		buzzer := r.lines.pin(buzzerLine().String())
		if _, beeps := on(buzzerLine(), buzzer.took(0), time.Hour); beeps == 0 || r.p.Trouble() != nil {
			t.Errorf("%d beeps once the line is back, trouble %q", beeps, r.p.Trouble())
		}
	})
}

// TestContract holds a panel to what the daemon asks of every publisher.
func TestContract(t *testing.T) {
	for _, o := range []Options{{}, {Now: func() (i sensor.Instant) { return i }}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) gives no error", o)
		}
	}
	p, err := New(Options{Now: func() (i sensor.Instant) { return i }, Mark: (&rig{}).mark})
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range publishtest.Events(3) {
		if err := p.Deliver(t.Context(), "l", ev); err != nil {
			t.Error(err)
		}
	}
	for range 1000 {
		p.Show(publishtest.State(3)) // nobody runs it: it must not wait
	}
}
