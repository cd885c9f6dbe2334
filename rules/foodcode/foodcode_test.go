package foodcode

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

func TestMain(m *testing.M) {
	flag.Bool("update", false, "rewrite the golden files")
	os.Exit(m.Run())
}

// table writes every limit of every profile as people read it.
func table(t *testing.T) string {
	var b strings.Builder
	for _, name := range Names() {
		c, err := Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		line := func(what, value string, basis rules.Citation) {
			if basis.Document == "" {
				value, basis.Confidence = "the configuration says", rules.Local
			}
			fmt.Fprintf(&b, "  %-18s %-42s %-15s %s\n", what, value, basis.Confidence, basis)
		}
		fmt.Fprintf(&b, "%s: %s\n", c.Name, c.Title)
		line("hot limit", degrees(c.HotLimit), c.HotBasis)
		if c.RoastHotLimit != nil {
			line("hot limit, roast", degrees(*c.RoastHotLimit), c.RoastHotBasis)
		}
		line("cold limit", degrees(c.ColdLimit), c.ColdBasis)
		line("discard, hot", c.DangerLimit.String(), c.DangerBasis)
		line("discard, cold", c.ColdDangerLimit.String(), c.DangerBasis)
		together := "all of it together"
		if c.DangerApart {
			together = "each side its own"
		}
		line("time outside", together, c.DangerBasis)
		line("act from", c.ActFrom.String(), c.DangerBasis)
		back := string(c.Return)
		if c.ReturnBelow > 0 {
			back += fmt.Sprintf(", %v, %s", c.ReturnBelow, degrees(c.ReturnFloor))
		}
		line("back above", back, c.ReturnBasis)
		for _, k := range c.Cooking {
			foods := strings.Join(k.Foods, " ")
			if len(k.Foods) > len(rules.Foods()) {
				foods = "any food"
			}
			line("cook", fmt.Sprintf("%s for %v: %s", degrees(k.Temp), k.Hold, foods), k.Basis)
		}
		if len(c.Cooking) == 0 {
			fmt.Fprintf(&b, "  %-18s %s\n", "cook", "names no temperature; the hot limit is all that is asked")
		}
		if r := c.Roast; r != nil {
			line("roast", "by the table: "+strings.Join(r.Foods, " "), r.Basis)
			for _, o := range r.Ovens {
				bound := "at most " + point(o.Max)
				if o.Min != nil {
					bound = "at least " + point(o.Min)
				}
				line("roast's oven", fmt.Sprintf("%s from %d g: %s", o.Oven, o.FromGrams, bound), r.OvenBasis)
			}
		}
		line("reheat", fmt.Sprintf("%s, %v, within %v", degrees(c.Reheat.Target), c.Reheat.Hold, c.Reheat.Within), c.Reheat.Basis)
		if p := c.Reheat.Packaged; p != nil {
			line("reheat, packaged", fmt.Sprintf("%s, within %v, the first time", degrees(*p), c.Reheat.Within), c.Reheat.PackagedBasis)
		}
		for _, l := range c.Cooling {
			line("cool", legWords(l), l.Basis)
		}
		if l := c.CoolingAmbient; l != nil {
			line("cool, ambient", fmt.Sprintf("to %s in %v from the loading", degrees(l.To), l.Within), l.Basis)
		}
		for _, r := range c.TimeControl {
			s := r.Name
			for _, p := range []struct {
				word string
				t    *sensor.Temp
			}{{"from hot", r.HotMin}, {"from cold", r.ColdMax}, {"never above", r.MaxFood}} {
				if p.t != nil {
					s += fmt.Sprintf(", %s %.1f", p.word, p.t.Celsius())
				}
			}
			if r.Asked {
				s += ", if asked"
			}
			line("time control", s, r.Basis)
		}
		line("come-up", fmt.Sprintf("%s to %s in %v", degrees(c.ComeUpLow), degrees(c.ComeUpHigh), c.ComeUpLimit), c.ComeUpBasis)
		b.WriteByte('\n')
	}
	for _, p := range plans() {
		fmt.Fprintf(&b, "cooling plan %s: %s\n  %s\n", p.name, p.title, p.needs)
		if p.begin > 0 {
			fmt.Fprintf(&b, "  %-18s within %v of being hot\n", "begins", p.begin)
		}
		for _, l := range p.legs {
			fmt.Fprintf(&b, "  %-18s %-42s %-15s %s\n", "cool", legWords(l), l.Basis.Confidence, l.Basis)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// legWords is a cooling leg as people read it.
func legWords(l rules.CoolingLeg) string {
	from := degrees(l.From)
	if l.From == 0 {
		from = "the hot limit"
	}
	count := "the leg before"
	if l.Total {
		count = "the start"
	}
	return fmt.Sprintf("%s to %s in %v of %s", from, degrees(l.To), l.Within, count)
}

func degrees(t sensor.Temp) string { return fmt.Sprintf("%.1f °C", t.Celsius()) }

func point(t *sensor.Temp) string {
	if t == nil {
		return "none"
	}
	return degrees(*t)
}

func TestTable(t *testing.T) {
	got := table(t)
	const golden = "testdata/table.txt"
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the limits are no longer those of %s; got\n%s", golden, got)
	}
}

// published is what profiles.json holds of one jurisdiction.
type published struct {
	HotHoldMin  degree `json:"hot_hold_min"`
	ColdHoldMax degree `json:"cold_hold_max"`
	ChillMax    degree `json:"chill_max"`
	Cooling     []struct {
		FromF  *float64 `json:"from_f"`
		FromC  *float64 `json:"from_c"`
		ToF    *float64 `json:"to_f"`
		ToC    *float64 `json:"to_c"`
		MaxH   float64  `json:"max_h"`
		MaxMin float64  `json:"max_min"`
		Clock  string   `json:"clock"`
	} `json:"cooling"`
	Reheat json.RawMessage `json:"reheat"`
	TPHC4  struct {
		StartCold float64 `json:"start_cold_max_f"`
		StartHot  float64 `json:"start_hot_min_f"`
		MaxH      float64 `json:"max_h"`
	} `json:"tphc_4h"`
	TPHC6 struct {
		Start float64 `json:"start_max_f"`
		Food  float64 `json:"max_food_f"`
		MaxH  float64 `json:"max_h"`
	} `json:"tphc_6h"`
	HotBelow struct {
		MaxH float64 `json:"max_h"`
	} `json:"hot_one_time_below"`
	ChillAbove struct {
		MaxH float64 `json:"max_h"`
	} `json:"chill_one_time_above"`
	CookGuidance []struct{ C, Min, S float64 } `json:"cook_guidance"`
	TimeRule     struct {
		From float64 `json:"from_h"`
		Over float64 `json:"over_h"`
	} `json:"time_rule"`
	Status string `json:"st"`
}

type degree struct {
	F       *float64 `json:"f"`
	C       *float64 `json:"c"`
	Section string   `json:"sec"`
}

type reheat struct {
	ToF     *float64 `json:"to_f"`
	ToC     *float64 `json:"to_c"`
	HoldS   float64  `json:"hold_s"`
	MaxH    float64  `json:"max_h"`
	WithinH float64  `json:"within_h"`
}

// exactly gives a published figure as a Temp: the Fahrenheit one where there is one.
func exactly(t *testing.T, f, c *float64) sensor.Temp {
	t.Helper()
	var out sensor.Temp
	ok := false
	switch {
	case f != nil:
		out, ok = sensor.FromFahrenheit(*f)
	case c != nil:
		out, ok = sensor.FromCelsius(*c)
	}
	if !ok {
		t.Fatal("the published figure is missing")
	}
	return out
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// TestPublishedFigures compares every profile with the collection of published figures.
func TestPublishedFigures(t *testing.T) {
	data, err := os.ReadFile("testdata/profiles.json")
	if err != nil {
		t.Fatal(err)
	}
	var raw map[string]json.RawMessage
	if err := json.Unmarshal(data, &raw); err != nil {
		t.Fatal(err)
	}
	compared := 0
	same := func(t *testing.T, what string, got, want any) {
		t.Helper()
		compared++
		if got != want {
			t.Errorf("%s: %v, published %v", what, got, want)
		}
	}
	for name, key := range map[string]string{USFDA2022: "us_fda_2022", UK: "uk_england_wales_ni", AUNZ: "au_std_3_2_2", Codex: "codex_cac_rcp_39_1993"} {
		t.Run(name, func(t *testing.T) {
			var p published
			if err := json.Unmarshal(raw[key], &p); err != nil {
				t.Fatal(err)
			}
			c, err := Lookup(name)
			if err != nil {
				t.Fatal(err)
			}
			same(t, "hot limit", c.HotLimit, exactly(t, p.HotHoldMin.F, p.HotHoldMin.C))
			if cold := p.ColdHoldMax; cold.C != nil {
				same(t, "cold limit", c.ColdLimit, exactly(t, cold.F, cold.C))
			}
			if p.ChillMax.C != nil {
				same(t, "chill limit", c.ColdLimit, exactly(t, nil, p.ChillMax.C))
			}
			for _, d := range []struct {
				section string
				basis   rules.Citation
			}{{p.HotHoldMin.Section, c.HotBasis}, {p.ColdHoldMax.Section, c.ColdBasis}, {p.ChillMax.Section, c.ColdBasis}} {
				if d.section != "" {
					same(t, "section", strings.ReplaceAll(d.basis.Section, " ", ""), strings.ReplaceAll(d.section, " ", ""))
				}
			}
			same(t, "cooling legs", len(c.Cooling), len(p.Cooling))
			for i, l := range p.Cooling {
				same(t, "cooling to", c.Cooling[i].To, exactly(t, l.ToF, l.ToC))
				same(t, "cooling within", c.Cooling[i].Within, hours(l.MaxH)+hours(l.MaxMin/60))
				if l.FromF != nil || l.FromC != nil {
					same(t, "cooling from", c.Cooling[i].From, exactly(t, l.FromF, l.FromC))
				}
				// A leg that the source counts from the very start, or the first one, is a total.
				if strings.HasPrefix(l.Clock, "total") {
					same(t, "cooling total", c.Cooling[i].Total, true)
				}
			}
			var r reheat
			if json.Unmarshal(p.Reheat, &r) == nil {
				same(t, "reheat target", c.Reheat.Target, exactly(t, r.ToF, r.ToC))
				same(t, "reheat hold", c.Reheat.Hold, time.Duration(r.HoldS)*time.Second)
				same(t, "reheat within", c.Reheat.Within, hours(r.MaxH)+hours(r.WithinH))
			}
			if p.TPHC4.MaxH > 0 {
				a, b := c.TimeControl[0], c.TimeControl[1]
				same(t, "4 h limit", a.Limit, hours(p.TPHC4.MaxH))
				same(t, "4 h from hot", *a.HotMin, exactly(t, &p.TPHC4.StartHot, nil))
				same(t, "4 h from cold", *a.ColdMax, exactly(t, &p.TPHC4.StartCold, nil))
				same(t, "6 h limit", b.Limit, hours(p.TPHC6.MaxH))
				same(t, "6 h from cold", *b.ColdMax, exactly(t, &p.TPHC6.Start, nil))
				same(t, "6 h never above", *b.MaxFood, exactly(t, &p.TPHC6.Food, nil))
				same(t, "6 h from hot", b.HotMin, (*sensor.Temp)(nil))
			}
			for _, g := range p.CookGuidance {
				hold := time.Duration(g.Min*60+g.S) * time.Second
				found := false
				for _, k := range c.Cooking {
					found = found || k.Temp == exactly(t, nil, &g.C) && k.Hold == hold
				}
				same(t, fmt.Sprintf("cook %v °C for %v", g.C, hold), found, true)
			}
			if p.HotBelow.MaxH > 0 {
				same(t, "once below", c.DangerLimit, hours(p.HotBelow.MaxH))
				same(t, "once above", c.ColdDangerLimit, hours(p.ChillAbove.MaxH))
				same(t, "once", c.Return, rules.ReturnOnce)
			}
			if p.TimeRule.Over > 0 {
				same(t, "act from", c.ActFrom, hours(p.TimeRule.From))
				same(t, "discard from", c.DangerLimit, hours(p.TimeRule.Over))
			}
			if p.Status == "M" {
				for what, b := range map[string]rules.Citation{"hot": c.HotBasis, "reheat": c.Reheat.Basis, "cooling": c.Cooling[0].Basis} {
					same(t, what+" confidence", b.Confidence, rules.Memory)
				}
			} else {
				same(t, "hot confidence", c.HotBasis.Confidence, rules.Confirmed)
			}
		})
	}
	if compared < 50 {
		t.Errorf("only %d figures compared", compared)
	}
}

// TestUnitedStatesByHand writes the limits down once more, beside their sections.
func TestUnitedStatesByHand(t *testing.T) {
	c := usFDA2022()
	for _, l := range []struct {
		what string
		got  sensor.Temp
		want sensor.Temp // thousandths of a degree Celsius, (°F - 32) · 5/9 by hand
	}{
		{"3-501.16(A)(1) 135 °F", c.HotLimit, 57_222},
		{"3-501.16(A)(2) 41 °F", c.ColdLimit, 5_000},
		{"3-403.11 165 °F", c.Reheat.Target, 73_889},
		{"3-501.14(A) 70 °F", c.Cooling[0].To, 21_111},
		{"3-501.14(A) 41 °F", c.Cooling[1].To, 5_000},
		{"130 °F", c.ReturnFloor, 54_444},
		{"FSIS 50 °F", c.ComeUpLow, 10_000},
		{"3-401.11(A)(1) 145 °F", c.Cooking[0].Temp, 62_778},
		{"3-401.11(A)(2) 155 °F", c.Cooking[1].Temp, 68_333},
		{"3-401.11(A)(3) 165 °F", c.Cooking[5].Temp, 73_889},
		{"3-401.11(B)(1) dry, light", *c.Roast.Ovens[0].Min, 176_667},
		{"3-401.11(B)(1) dry, heavy", *c.Roast.Ovens[1].Min, 121_111},
	} {
		if l.got != l.want {
			t.Errorf("%s is %d thousandths, want %d", l.what, l.got, l.want)
		}
	}
}

func TestComplete(t *testing.T) {
	for _, name := range Names() {
		c, err := Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		err = Complete(c)
		if IsFrame(name) != (err != nil) {
			t.Errorf("%s: %v", name, err)
		}
		if IsFrame(name) && !strings.HasSuffix(err.Error(), "lacks hot_limit, cold_limit, danger_limit, cold_danger_limit, reheat, cooling") {
			t.Errorf("%s: %v", name, err)
		}
	}
	spoil := map[string]func(*rules.Code){
		"lacks hot_limit":                       func(c *rules.Code) { c.HotBasis = rules.Citation{} },
		"lacks danger_limit":                    func(c *rules.Code) { c.DangerLimit = 0 },
		"lacks return":                          func(c *rules.Code) { c.Return = "" },
		"lacks cooling":                         func(c *rules.Code) { c.Cooling = nil },
		"lacks come_up":                         func(c *rules.Code) { c.ComeUpLimit = 0 },
		"the hot limit 5.0 °C must lie above":   func(c *rules.Code) { c.HotLimit = c.ColdLimit },
		"the reheating target 40.0 °C must not": func(c *rules.Code) { c.Reheat.Target = 40_000 },
		"come-up must lead":                     func(c *rules.Code) { c.ComeUpLow = c.ComeUpHigh },
	}
	for want, f := range spoil {
		c := usFDA2022()
		f(&c)
		if err := Complete(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// TestCopies holds that nobody can change a profile for the next one who asks.
func TestCopies(t *testing.T) {
	a, _ := Lookup(USFDA2022)
	a.Cooling[0].To = 0
	*a.TimeControl[0].HotMin = 0
	a.Cooking[0].Foods[0], *a.Roast.Ovens[0].Min = "", 0
	b, _ := Lookup(USFDA2022)
	if b.Cooling[0].To == 0 || *b.TimeControl[0].HotMin == 0 ||
		b.Cooking[0].Foods[0] == "" || *b.Roast.Ovens[0].Min == 0 {
		t.Error("profiles share memory")
	}
}

func TestLookupUnknown(t *testing.T) {
	if _, err := Lookup("us"); err == nil || !strings.Contains(err.Error(), "us-fda-2022, us-fda-2017, us-fda-2013, us-nyc, uk, eu, au-nz, codex, custom") {
		t.Errorf("got %v", err)
	}
}
