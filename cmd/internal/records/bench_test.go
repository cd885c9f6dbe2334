package records

import (
	"context"
	"math"
	"testing"
	"time"

	"holdbell/publish/ledger"
)

// twoLong is a day at a sweep a second on which two pieces were cooked and held for 14 h each, the later one from an
// hour after the first, among eight stations.
func twoLong(t testing.TB) *kitchen {
	k := kitchenOf(t, eight(t), make([]float64, len(eight(t).Probes))...)
	k.every = time.Second
	for i := range 15 * 3600 {
		for p := range k.temps {
			k.temps[p] = 200 + float64(p) + math.Round(20*math.Sin(float64(i)/3000))/4
		}
		switch i {
		case 60:
			k.say("load,long-1,pit-1,R,l1,food=beef")
		case 3660:
			k.say("load,long-2,pit-2,R,l2,food=beef")
		case 14*3600 + 60:
			k.say("close,long-1,pit-1,R,c1,")
		case 14*3600 + 3060:
			k.say("close,long-2,pit-2,R,c2,")
		}
		k.sweep()
		if i%60 == 59 {
			k.flush()
		}
	}
	k.flush()
	return k
}

// Two lots side by side, 14 h each, at a sweep a second.
func BenchmarkCompareTwoLong(b *testing.B) {
	k := twoLong(b)
	l, err := ledger.OpenReader(k.path)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	for b.Loop() {
		c, err := Compare(context.Background(), l, Options{Setup: eight(b), Trace: true, Lots: []Name{{Lot: "long-1"}, {Lot: "long-2"}}}, time.UTC)
		if err != nil {
			b.Fatal(err)
		}
		if n := len(c.Cooks[1].trace); n < 700 {
			b.Fatalf("%d points of a trace", n)
		}
	}
}
