package rules_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// stayed writes a lot's stays short: station, length, and the span of its readings in °F.
func stayed(l rules.LotState) string {
	var b strings.Builder
	for _, s := range l.Stays {
		fmt.Fprintf(&b, "%s %s %v", s.Station, s.Stage, s.Length)
		if s.Low != nil {
			fmt.Fprintf(&b, " %.0f-%.0f", s.Low.Fahrenheit(), s.High.Fahrenheit())
		}
		if s.OnAir {
			b.WriteString(" air")
		}
		if !s.To.IsZero() {
			b.WriteString(" over")
		}
		b.WriteString("; ")
	}
	return b.String()
}

func TestStaysKeepTheirReadings(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(40)).hold(time.Minute)
	b.say(rules.MarkLoad, "butt", "pit", func(m *rules.Mark) { m.Probe = "core"; m.Food = "pork" })
	b.ramp(1, f(200), 2*time.Hour)
	move := func(to, id string) {
		b.say(rules.MarkMove, "butt", to, func(m *rules.Mark) { m.ID = id })
	}
	move("warmer", "m1")
	b.ramp(1, f(150), time.Hour)
	b.say(rules.MarkSplit, "half", "walkin", func(m *rules.Mark) { m.From = "butt" })
	b.hold(10 * time.Minute)
	if got, want := stayed(b.lot("butt")), "pit cooking 2h0m0s 40-200 over; warmer hot-holding 1h9m59s 150-200; "; got != want {
		t.Errorf("butt: %s\nwant  %s", got, want)
	}
	// What the whole has been through, each part has; from the cut on it goes its own way, by the air alone.
	if got, want := stayed(b.lot("half")), "pit cooking 2h0m0s 40-200 over; warmer hot-holding 1h0m0s 150-200 over; walkin cold-holding 9m59s 38-38 air; "; got != want {
		t.Errorf("half: %s\nwant  %s", got, want)
	}
	b.say(rules.MarkClose, "butt", "", nil).sweep()
	butt := b.lot("butt")
	if last := butt.Stays[len(butt.Stays)-1]; last.To != butt.EndedAt || butt.EndedAt.IsZero() {
		t.Errorf("ended at %v, the last stay at %v", butt.EndedAt.Wall, last.To.Wall)
	}
	// What its probe reads of another piece is not its own any more.
	b.set1(1, f(40)).hold(time.Minute)
	if got, want := stayed(b.lot("butt")), "pit cooking 2h0m0s 40-200 over; warmer hot-holding 1h10m0s 150-200 over; "; got != want {
		t.Errorf("butt, closed: %s\nwant  %s", got, want)
	}
}
