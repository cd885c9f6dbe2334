package kitchen

import (
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

// TestAllProbesShowTheirFaults goes through two rounds with the real drivers: each probe has each of its faults,
// by the right word within 5 s, heals within 5 s, reads true in between, and no other probe notices.
func TestAllProbesShowTheirFaults(t *testing.T) {
	synctest.Test(t, showFaults) // some drivers wait for a conversion by the wall clock
}

func showFaults(t *testing.T) {
	plan, shown, round := AllProbes(1)
	k := must(New(plan))
	s := k.Source(drivers(t, k, plan.Probes), time.Second, start())
	const grace = 5 * time.Second
	seen := make(map[sensor.Fault]bool)
	for k.Now() < showFrom+2*round {
		readings := must(s.Next(t.Context())).Readings
		now := k.Now()
		in := now
		if in >= showFrom {
			in = showFrom + (now-showFrom)%round
		}
		for i, p := range plan.Probes {
			want, sure := sensor.None, now > grace
			for _, sh := range shown {
				if sh.Probe != p.Name {
					continue
				}
				if in >= sh.At && in < sh.Until {
					want = sh.Fault
					sure = in > sh.At+grace
				} else if in >= sh.Until && in <= sh.Until+grace {
					sure = false
				}
			}
			if sure && readings[i].Fault != want {
				t.Fatalf("%v: %s reads %v, want %v", now, p.Name, readings[i], want)
			}
			if readings[i].Valid() {
				near(t, p.Name, readings[i].Temp.Celsius(), truth(k.Probe(p.Name)).Tip, 0.7)
			}
			if sure {
				seen[want] = true
			}
		}
	}
	for f := sensor.None; f < sensor.Spike; f++ {
		if !seen[f] {
			t.Errorf("no probe ever shows %q", f)
		}
	}
	if len(shown) < 25 {
		t.Errorf("only %d showings", len(shown))
	}
}
