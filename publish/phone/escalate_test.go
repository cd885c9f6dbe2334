package phone

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// stands is a state in which the alarm of event stands since raised.
func stands(p *Phone, raised sensor.Instant, status rules.AlarmStatus, seq uint64) *rules.State {
	return &rules.State{Seq: seq, At: p.o.Now(), Alarms: []rules.AlarmState{{Seq: 1, Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket",
		Priority: rules.Critical, Status: status, Active: true, Since: raised, Raised: raised, Text: "brisket in warmer has been under 135 °F for 25 min."}}}
}

func TestTheNextInLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, "https://far.example/next", f, func(o *Options) { o.After = 15 * time.Minute })
		rings := func(why string, want int) {
			t.Helper()
			if got := len(f.got()); got != want {
				t.Fatalf("%s: %d messages, want %d", why, got, want)
			}
		}
		raised := p.o.Now()
		p.Show(stands(p, raised, rules.Unacknowledged, 1))
		must(t, p, event(p, 1, rules.AlarmRaised, rules.Critical))
		rings("an alarm that was just raised", 0)
		time.Sleep(10 * time.Minute)
		p.Show(stands(p, raised, rules.Unacknowledged, 2))
		must(t, p, event(p, 2, rules.AlarmRepeated, rules.Critical))
		rings("unacknowledged for ten minutes", 0)
		time.Sleep(10 * time.Minute)
		p.Show(stands(p, raised, rules.Unacknowledged, 3))
		must(t, p, event(p, 3, rules.AlarmRepeated, rules.Critical))
		rings("unacknowledged for twenty", 1)
		if body := f.got()[0].body; !strings.HasPrefix(body, "Nobody has acknowledged this for 20 min. brisket in warmer") {
			t.Errorf("it says %q", body)
		}
		p.Show(stands(p, raised, rules.Acknowledged, 4))
		must(t, p, event(p, 4, rules.AlarmRepeated, rules.Critical))
		rings("a repeat that came when somebody had answered", 1)
		must(t, p, event(p, 5, rules.AlarmCleared, rules.Critical))
		rings("the end of what rang", 2)
		must(t, p, event(p, 6, rules.AlarmCleared, rules.Critical))
		rings("the end of what did not ring", 2)
		must(t, p, event(p, 7, rules.LotEnded, rules.Critical))
		rings("a lot that ended", 2)
	})
}

// An alarm that was raised in an outage and reaches the next in line late has waited long enough.
func TestTheNextInLineAfterAnOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		p := phoneTo(t, "https://far.example/next", f, func(o *Options) { o.After = 15 * time.Minute })
		raised := p.o.Now()
		ev := event(p, 1, rules.AlarmRaised, rules.Critical)
		time.Sleep(time.Hour)
		p.Show(stands(p, raised, rules.Unacknowledged, 9))
		must(t, p, ev)
		if len(f.got()) != 1 {
			t.Error("it does not ring")
		}
	})
}

func TestQuietHoursAreForAdviceAlone(t *testing.T) {
	night := true
	f := &far{}
	p := phoneTo(t, "https://far.example/cook", f, func(o *Options) {
		o.From, o.Quiet = rules.Advice, func(sensor.Instant) bool { return night }
	})
	must(t, p, event(p, 1, rules.AlarmRaised, rules.Advice))
	must(t, p, event(p, 2, rules.AlarmRepeated, rules.Advice))
	must(t, p, event(p, 3, rules.AlarmCleared, rules.Advice))
	if n := len(f.got()); n != 0 {
		t.Errorf("advice rings %d times at night", n)
	}
	must(t, p, event(p, 4, rules.AlarmRaised, rules.Warning))
	must(t, p, event(p, 5, rules.AlarmRaised, rules.Critical))
	if n := len(f.got()); n != 2 {
		t.Errorf("a warning and a critical alarm ring %d times at night, want 2", n)
	}
	night = false
	must(t, p, event(p, 6, rules.AlarmRepeated, rules.Advice))
	if n := len(f.got()); n != 3 {
		t.Error("advice does not ring in the morning")
	}
}

func TestTheButtonThatAcknowledges(t *testing.T) {
	answer := func(ledger string, seq uint64) string { return "http://board.example/answer/" + ledger + "-1" }
	f := &far{}
	p := phoneTo(t, "https://far.example/cook", f, func(o *Options) { o.Answer = answer })
	must(t, p, event(p, 1, rules.AlarmRaised, rules.Critical))
	p.Show(stands(p, p.o.Now(), rules.Unacknowledged, 2))
	must(t, p, event(p, 2, rules.AlarmRepeated, rules.Critical))
	must(t, p, event(p, 3, rules.AlarmCleared, rules.Critical))
	want := []string{"http, Acknowledge, http://board.example/answer/led-1, method=POST", "http, Acknowledge, http://board.example/answer/led-1, method=POST", ""}
	for i, c := range f.got() {
		if got := c.header.Get("Actions"); got != want[i] {
			t.Errorf("message %d has the button %q, want %q", i, got, want[i])
		}
	}
	if len(f.got()) != len(want) {
		t.Errorf("%d messages, want %d", len(f.got()), len(want))
	}
}
