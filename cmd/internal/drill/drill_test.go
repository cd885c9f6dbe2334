package main

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// oneEach are tuning seeds that go through every family once.
func oneEach() []uint64 {
	var seeds []uint64
	for i := range families {
		seeds = append(seeds, uint64(2*i+1))
	}
	return seeds
}

// TestDrill runs a kitchen of every family: food past its limit is always told, nobody hears of food below the hot
// limit that is not, and each fault of a probe is named.
func TestDrill(t *testing.T) {
	report, err := all(t.Context(), oneEach(), func(d *day, notes [2][]string) {
		for _, n := range notes[0] {
			if strings.HasPrefix(n, "MISSED") || strings.HasPrefix(n, "FALSE below-hot-limit") || strings.HasPrefix(n, "fault") {
				t.Errorf("seed %d, %s: %s", d.seed, d.family, n)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	e, p := &report.Engine, &report.Plain
	if e.Hot.True < 5 || e.Cold.True < 1 || e.Legs.True < 1 || e.Slow < 3 || e.Faults < 8 {
		t.Fatalf("too little happened for a drill: %+v", e)
	}
	if e.Hot.True != p.Hot.True || e.Faults != p.Faults || e.Slow != p.Slow {
		t.Errorf("the truth differs between the watch and the yardstick: %+v and %+v", e, p)
	}
	var b bytes.Buffer
	if err := report.table(&b); err != nil {
		t.Fatal(err)
	}
	t.Logf("\n%s", b.String())
}

// TestDrillSeesAMutedWatch: a watch that says nothing of food misses all of it, and the drill says so.
func TestDrillSeesAMutedWatch(t *testing.T) {
	missed := 0
	for seed := range families {
		s := build(uint64(2*seed + 1))
		if s.family != "breaker trips" && s.family != "cold food into the warmer" {
			continue
		}
		day := 24 * time.Hour
		s.setup.Alarms = map[rules.AlarmName]rules.AlarmSetup{}
		for _, name := range rules.AlarmNames() {
			s.setup.Alarms[name] = rules.AlarmSetup{RaiseDelay: &day}
		}
		d, err := run(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		score, notes := d.judge(d.engine)
		if len(d.engine) > 0 {
			t.Errorf("a muted watch rang: %+v", d.engine)
		}
		if score.Hot.Found > 0 {
			t.Errorf("%s: %d found in silence: %v", s.family, score.Hot.Found, notes)
		}
		missed += score.Hot.True
	}
	if missed < 2 {
		t.Errorf("%d violations, want one a kitchen", missed)
	}
}

// TestSeedIsAll: a seed gives the same day each time, and another of its family a different one.
func TestSeedIsAll(t *testing.T) {
	one := func(seed uint64) *day {
		d, err := run(t.Context(), build(seed))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	a, b, c := one(5), one(5), one(5+2*uint64(len(families)))
	if !reflect.DeepEqual(a.engine, b.engine) || !reflect.DeepEqual(a.truths, b.truths) {
		t.Error("one seed gave two days")
	}
	if a.family != c.family || reflect.DeepEqual(a.truths, c.truths) {
		t.Errorf("seeds of %s and %s gave one day", a.family, c.family)
	}
}

// TestFlags: what the command prints and refuses.
func TestFlags(t *testing.T) {
	var out, errs bytes.Buffer
	if err := drill(t.Context(), []string{"-seeds", "2", "-json"}, &out, &errs); err != nil {
		t.Fatal(err)
	}
	var r Report
	if err := json.Unmarshal(out.Bytes(), &r); err != nil || r.Kitchens != 1 || r.StationDays <= 0 {
		t.Errorf("%v: %s", err, out.String())
	}
	out.Reset()
	if err := drill(t.Context(), []string{"-seeds", "1", "-half", "tune", "-v"}, &out, &errs); err != nil || !strings.HasPrefix(out.String(), "1 quiet\n") {
		t.Errorf("%v: %s", err, out.String())
	}
	if err := drill(t.Context(), []string{"-half", "best"}, &out, &errs); err == nil || !strings.Contains(err.Error(), "choose") {
		t.Errorf("a half that there is not: %v", err)
	}
}
