package microbe

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"holdbell/sensor"

	"pgregory.net/rapid"
)

func TestExponentialAndLogarithm(t *testing.T) {
	for x := -699.0; x < 40; x += 0.01 {
		if got, want := exp(x), math.Exp(x); math.Abs(got-want) > 2e-13*want {
			t.Fatalf("exp(%v) = %v, want %v", x, got, want)
		}
	}
	if exp(0) != 1 || exp(-701) != 0 {
		t.Errorf("exp(0) = %v, exp(-701) = %v", exp(0), exp(-701))
	}
	for v := 0.0; v <= 1; v += 0.001 {
		if got, want := log1p(v), math.Log1p(v); math.Abs(got-want) > 4e-16 {
			t.Fatalf("log1p(%v) = %v, want %v", v, got, want)
		}
	}
}

// temps are what food sees, and now and then what only a broken probe says.
func temps() *rapid.Generator[sensor.Temp] {
	return rapid.OneOf(rapid.Map(rapid.IntRange(0, 100_000), func(i int) sensor.Temp { return sensor.Temp(i) }),
		rapid.Map(rapid.IntRange(int(sensor.MinTemp), int(sensor.MaxTemp)), func(i int) sensor.Temp { return sensor.Temp(i) }))
}

// A line cut where it passes a whole thousandth is the same line.
func TestCutsChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := temps().Draw(t, "from")
		left := sensor.Temp(rapid.IntRange(0, 40_000).Draw(t, "left"))
		right := sensor.Temp(rapid.IntRange(0, 40_000).Draw(t, "right"))
		sign := sensor.Temp(rapid.SampledFrom([]int{-1, 1}).Draw(t, "sign"))
		per := time.Duration(rapid.IntRange(1, 1_000_000_000).Draw(t, "nanoseconds a thousandth"))
		var whole, cut everything
		whole.add(per*time.Duration(left+right), from, from+sign*(left+right))
		cut.add(per*time.Duration(left), from, from+sign*left)
		cut.add(per*time.Duration(right), from+sign*left, from+sign*(left+right))
		for i := range degrees {
			a, b := whole.Dwell.At(firstDegree+i), cut.Dwell.At(firstDegree+i)
			if a-b < -1 || a-b > 1 {
				t.Fatalf("%d °F: %v whole, %v cut", firstDegree+i, a, b)
			}
		}
		same := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-9*max(1, math.Abs(a)) {
				t.Fatalf("%s: %v whole, %v cut", what, a, b)
			}
		}
		same("lethality", whole.Lethality.Line, cut.Lethality.Line)
		for m := range NumModels {
			same(m.String(), whole.Growth.Work[m], cut.Growth.Work[m])
		}
	})
}

// More time never takes anything back, but growth at 60 °C.
func TestTimeTakesNothingBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var e everything
		table := Chicken(rapid.IntRange(0, 13).Draw(t, "fat"))
		met := false
		at := temps().Draw(t, "first")
		for range rapid.IntRange(1, 20).Draw(t, "legs") {
			before, to := e, temps().Draw(t, "to")
			e.add(time.Duration(rapid.Int64Range(-1, int64(2*time.Hour)).Draw(t, "dt")), at, to)
			for i := range degrees {
				if e.Dwell.Within[i] < before.Dwell.Within[i] {
					t.Fatalf("dwell %v after %v", e.Dwell, before.Dwell)
				}
			}
			if e.Lethality.Line < before.Lethality.Line || e.Lethality.Trapezoid < before.Lethality.Trapezoid {
				t.Fatalf("lethality %v after %v", e.Lethality, before.Lethality)
			}
			for m := range NumModels {
				low, high := e.Growth.Range(m)
				if low > high || low < 0 || high > Ceiling {
					t.Fatalf("%v from %v to %v", m, low, high)
				}
				if e.Growth.Work[m] < before.Growth.Work[m] && at < restart && to < restart {
					t.Fatalf("%v: %v after %v", m, e.Growth.Work[m], before.Growth.Work[m])
				}
			}
			if _, ok := table.Met(&e.Dwell); met && !ok {
				t.Fatal("a row that was met is not any more")
			} else {
				met = ok
			}
			at = to
		}
	})
}

// Through JSON and back, anywhere in a life, the rest gives the same bits.
func TestStateSurvivesJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var straight, restored everything
		at := temps().Draw(t, "first")
		for range rapid.IntRange(1, 12).Draw(t, "legs") {
			to, dt := temps().Draw(t, "to"), time.Duration(rapid.Int64Range(1, int64(time.Hour)).Draw(t, "dt"))
			b, err := json.Marshal(restored)
			if err != nil {
				t.Fatal(err)
			}
			restored = everything{}
			if err := json.Unmarshal(b, &restored); err != nil {
				t.Fatal(err)
			}
			straight.add(dt, at, to)
			restored.add(dt, at, to)
			if straight != restored {
				t.Fatalf("%+v straight, %+v restored", straight, restored)
			}
			at = to
		}
	})
}

// A made-up day gives the same bits on every machine. The golden file was written on amd64.
func TestBitsAreTheSameEverywhere(t *testing.T) {
	var e everything
	at := sensor.Temp(4000)
	seed := uint32(1)
	for range 20_000 {
		// A plain congruential walk between 0 and 95 °C (the constants are those of Numerical Recipes).
		seed = seed*1664525 + 1013904223
		to := min(max(at+sensor.Temp(seed>>20)-2040, 0), 95_000)
		e.Dwell.Add(2*time.Second, at, to)
		e.Lethality.Add(2*time.Second, at, to)
		// Growth sees the same walk squeezed under 60 °C, so that the whole day counts.
		e.Growth.Add(2*time.Second, at*6/10, to*6/10)
		at = to
	}
	var got string
	line := func(name string, v float64) {
		var b [8]byte
		for i, u := 0, math.Float64bits(v); i < 8; i++ {
			b[i] = byte(u >> (56 - 8*i))
		}
		got += fmt.Sprintf("%-40s %s %.6g\n", name, hex.EncodeToString(b[:]), v)
	}
	line("lethality, line, s", e.Lethality.Line)
	line("lethality, trapezoid, s", e.Lethality.Trapezoid)
	line("lethality, log10", e.Lethality.Log10(D150Meat))
	line("at or above 150 °F, s", e.Dwell.At(150).Seconds())
	for m := range NumModels {
		low, high := uncapped(&e.Growth, m)
		line(m.String()+", work", e.Growth.Work[m])
		line(m.String()+", low", low)
		line(m.String()+", high", high)
	}
	if *update {
		if err := os.WriteFile("testdata/trace.bits", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/trace.bits")
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the bits differ; got\n%swant\n%s", got, want)
	}
}

// No product and sum of this package are fused into one rounding by a compiler that may: the golden bits only show it
// on such a machine, the assembly shows it here.
func TestNothingIsFused(t *testing.T) {
	for _, arch := range []string{"arm64", "riscv64"} {
		build := exec.Command("go", "build", "-gcflags=-S", ".")
		build.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
		out, err := build.CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", arch, err, out)
		}
		if !strings.Contains(string(out), "FMUL") {
			t.Fatalf("%s: no floating-point product in the assembly", arch)
		}
		for line := range strings.Lines(string(out)) {
			if fused.MatchString(line) {
				t.Errorf("%s: %s", arch, line)
			}
		}
	}
}

var fused = regexp.MustCompile(`microbe/\w+\.go.*\tFN?M(ADD|SUB)`)

func TestAddAllocatesNothing(t *testing.T) {
	var e everything
	table := Meat65()
	if n := testing.AllocsPerRun(100, func() {
		e.add(time.Second, 45000, 45100)
		e.Growth.AddUnknown(time.Second)
		table.Met(&e.Dwell)
		table.Left(&e.Dwell, 60000)
		e.Growth.Range(CPerfringensBeef)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// The readings of a slow cook at 1 s, where every model has work to do, and the two ends where most days are spent.
func BenchmarkAdd(b *testing.B) {
	for _, c := range []struct {
		name     string
		from, to sensor.Temp
	}{{"cooling at 45 °C", 45000, 44990}, {"cooking at 65 °C", 65000, 65010}, {"holding at 75 °C", 75000, 75010}, {"cold at 4 °C", 4000, 4010}, {"a door's swing", 40000, 70000}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			var e everything
			for b.Loop() {
				e.add(time.Second, c.from, c.to)
			}
		})
	}
}

func BenchmarkRange(b *testing.B) {
	var g Growth
	g.Add(time.Hour, 45000, 45000)
	for b.Loop() {
		g.Range(CPerfringensBeef)
	}
}

func BenchmarkMet(b *testing.B) {
	var d Dwell
	d.Add(time.Minute, 56000, 56000)
	table := Meat65()
	for b.Loop() {
		table.Met(&d)
	}
}
