package forecast

import (
	"math"
	"testing"
)

func TestOwnExponentialAndLogarithm(t *testing.T) {
	for x := -40.0; x < 40; x += 0.0137 {
		if got, want := exp(x), math.Exp(x); math.Abs(got/want-1) > 1e-14 {
			t.Fatalf("exp(%v) = %v, want %v", x, got, want)
		}
		if y := math.Exp(x); math.Abs(log(y)-x) > 1e-13 {
			t.Fatalf("log(%v) = %v, want %v", y, log(y), x)
		}
	}
	if log(1) != 0 || exp(0) != 1 {
		t.Errorf("log(1) = %v, exp(0) = %v", log(1), exp(0))
	}
}

// The same sums on every machine: the bits are fixed here, and arm64 must find them too.
func TestBitsAreTheSameEverywhere(t *testing.T) {
	var k track
	for i := range int64(40) {
		k.add(60_000)
		k.Sum -= i*71 + (i*i*37)%91
		k.shut(i)
	}
	var y series
	y.last(&k, 39, 40)
	c, ok := y.fit(40, 3)
	if !ok {
		t.Fatal("no fit")
	}
	c.observe(0.25/60, 0.002)
	got := [6]uint64{math.Float64bits(c.P[0]), math.Float64bits(c.P[1]), math.Float64bits(c.P[2]),
		math.Float64bits(c.Cov[1][1]), math.Float64bits(exp(-1.2345)), math.Float64bits(log(0.6789))}
	if want := [6]uint64{0x404c9891ed7247b2, 0xbfb1d4658513ad31, 0x3f1359a00031971b, 0x3ec2d3152514c1d1,
		0x3fd29f6b7bfe469d, 0xbfd8c938154a3d54}; got != want {
		t.Errorf("bits %#x, want %#x", got, want)
	}
}
