package foodcode

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// coolingOptions reads the collection of published cooling rules.
func coolingOptions(t *testing.T) map[string]map[string]string {
	t.Helper()
	data, err := os.ReadFile("testdata/cooling_options.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(data)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string]string{}
	for _, row := range rows[1:] {
		x := map[string]string{}
		for i, v := range row {
			x[rows[0][i]] = v
		}
		out[x["id"]] = x
	}
	if len(out) < 10 {
		t.Fatalf("only %d cooling rules", len(out))
	}
	return out
}

// figure is a Fahrenheit figure of the collection; the metric sources' own figures are whole or half
// degrees Celsius, which it rounds to tenths of a Fahrenheit degree.
func figure(t *testing.T, s string, metric bool) sensor.Temp {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := sensor.FromFahrenheit(v)
	if metric {
		got = (got + 500) / 1000 * 1000
	}
	return got
}

// TestCoolingOptions compares every cooling rule that this package holds with the collection, leg by leg.
func TestCoolingOptions(t *testing.T) {
	all := coolingOptions(t)
	lookup := func(name string) []rules.CoolingLeg {
		c, err := Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		return c.Cooling
	}
	planned := func(name string) []rules.CoolingLeg {
		c, err := WithCooling(usFDA2022(), name)
		if err != nil {
			t.Fatal(err)
		}
		return c.Cooling
	}
	ambient := []rules.CoolingLeg{*usFDA2022().CoolingAmbient}
	compared := 0
	for id, legs := range map[string][]rules.CoolingLeg{
		"fsis_opt1": planned("fsis-1"), "fsis_opt2": planned("fsis-2"), "fsis_opt3": planned("fsis-3"), "fsis_opt4": planned("fsis-4"),
		"fda_3-501.14A": lookup(USFDA2022), "fda_3-501.14B": ambient, "au_3.2.2_7(3)": lookup(AUNZ), "uk_90min": lookup(UK),
		"gaze_uncured": planned("as-4696-uncured"), "gaze_cured": planned("as-4696-cured"),
	} {
		row, ok := all[id]
		if !ok {
			t.Errorf("%s is not in the collection", id)
			continue
		}
		metric := strings.HasPrefix(id, "au") || strings.HasPrefix(id, "uk") || strings.HasPrefix(id, "gaze")
		for i, stage := range []string{"stage1", "stage2"} {
			if row[stage+"_to_f"] == "" {
				continue
			}
			leg := legs[i]
			if to := figure(t, row[stage+"_to_f"], metric); leg.To != to {
				t.Errorf("%s %s ends at %v, published %v", id, stage, leg.To, to)
			}
			if from, err := strconv.ParseFloat(row[stage+"_from_f"], 64); err == nil && i == 0 {
				if want := figure(t, row[stage+"_from_f"], metric); leg.From != want {
					t.Errorf("%s %s starts at %v, published %v (%v)", id, stage, leg.From, want, from)
				}
			}
			column := stage + "_max_h"
			if leg.Total && i > 0 {
				column = "total_max_h" // from the start, so that a fast first leg buys time
			}
			if h, _ := strconv.ParseFloat(row[column], 64); leg.Within != hours(h) {
				t.Errorf("%s %s lasts %v, published %v", id, stage, leg.Within, hours(h))
			}
			compared++
		}
		// The whole of the published legs lasts as long as published.
		if h, _ := strconv.ParseFloat(row["total_max_h"], 64); h > 0 {
			whole := time.Duration(0)
			for _, leg := range legs {
				if leg.Basis.Confidence == rules.Practice {
					continue // ours, beyond the published ones
				}
				if leg.Total {
					whole = 0
				}
				whole += leg.Within
			}
			if d := whole - hours(h); d.Abs() > 3*time.Minute { // 10.1 h is 2.5 + 6 + 1.6
				t.Errorf("%s lasts %v in all, published %v", id, whole, hours(h))
			}
		}
		if strings.HasPrefix(row["st"], "M") {
			for _, leg := range legs {
				if leg.Basis.Confidence != rules.Memory {
					t.Errorf("%s is from memory and called %s", id, leg.Basis.Confidence)
				}
			}
		}
	}
	if compared < 15 {
		t.Errorf("only %d legs compared", compared)
	}
}

// A plan takes the place of the code's own legs, says what it asks of a kitchen, and stays a code that
// can be used.
func TestWithCooling(t *testing.T) {
	for _, name := range CoolingPlans() {
		for _, base := range []string{USFDA2022, USNYC, UK, AUNZ, Codex} {
			c, _ := Lookup(base)
			got, err := WithCooling(c, name)
			if err != nil || Complete(got) != nil {
				t.Errorf("%s with %s: %v, %v", base, name, err, Complete(got))
			}
			if got.CoolingPlan != name || !strings.Contains(got.CoolingNeeds, "variance") || len(got.Cooling) > 4 {
				t.Errorf("%s with %s: %+v", base, name, got)
			}
		}
	}
	if _, err := WithCooling(usFDA2022(), "fsis-9"); err == nil || !strings.Contains(err.Error(), "fsis-1, fsis-2") {
		t.Errorf("an unknown plan: %v", err)
	}
}

// The remaining fields of the collection: the editions, New York City, packaged and ambient food, the
// four hours for cut produce, the accuracy of thermometers.
func TestPublishedRemainder(t *testing.T) {
	data, err := os.ReadFile("testdata/profiles.json")
	if err != nil {
		t.Fatal(err)
	}
	var raw struct {
		US struct {
			Ambient struct {
				To float64 `json:"to_f"`
				H  float64 `json:"max_h"`
			} `json:"cooling_ambient_made"`
			Packaged struct {
				To float64 `json:"to_f"`
				H  float64 `json:"max_h"`
			} `json:"reheat_commercial_rte"`
			Exception string `json:"tphc_2022_exception"`
		} `json:"us_fda_2022"`
		US2017 struct {
			Same string `json:"same_as"`
		} `json:"us_fda_2017"`
		US2013 struct {
			Same string `json:"same_as"`
		} `json:"us_fda_2013"`
		NYC struct {
			Hot  degree `json:"hot_hold_min"`
			Cold degree `json:"cold_hold_max"`
			Four struct {
				Start float64 `json:"start_min_f"`
				H     float64 `json:"max_h"`
			} `json:"tphc_4h_hot"`
			Six struct {
				Start float64 `json:"start_max_f"`
				Over  float64 `json:"discard_if_over_f"`
			} `json:"tphc_6h_cold"`
		} `json:"us_nyc"`
	}
	if err := json.Unmarshal(data, &raw); err != nil {
		t.Fatal(err)
	}
	f := func(v float64) sensor.Temp { x, _ := sensor.FromFahrenheit(v); return x }
	us := usFDA2022()
	if a := us.CoolingAmbient; a.To != f(raw.US.Ambient.To) || a.Within != hours(raw.US.Ambient.H) {
		t.Errorf("ambient: %+v", a)
	}
	if p := us.Reheat; *p.Packaged != f(raw.US.Packaged.To) || p.Within != hours(raw.US.Packaged.H) {
		t.Errorf("packaged: %+v", p)
	}
	cut := us.TimeControl[2]
	if !strings.Contains(raw.US.Exception, "<=70F") || !strings.Contains(raw.US.Exception, "4 h") || cut.Limit != 4*time.Hour ||
		*cut.ColdMax != f(70) || *cut.MaxFood != f(70) || !cut.Asked {
		t.Errorf("cut produce: %+v, published %q", cut, raw.US.Exception)
	}
	// The editions are as the next one but for what the collection names.
	plain := func(c rules.Code) string {
		c.Name, c.Title, c.Cooking, c.Roast = "", "", nil, nil
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		return strings.NewReplacer("2022", "", "2017", "", "2013", "").Replace(string(b))
	}
	without := us
	without.TimeControl = without.TimeControl[:2]
	if raw.US2017.Same != "us_fda_2022" || plain(usFDA2017()) != plain(without) {
		t.Error("2017 differs from 2022 in more than the four hours for cut produce")
	}
	if raw.US2013.Same != "us_fda_2017" || plain(usFDA2013()) != plain(usFDA2017()) {
		t.Error("2013 differs from 2017 in more than cooking")
	}
	a, b := usFDA2013().Cooking, usFDA2017().Cooking
	for i := range a {
		if a[i].Temp == f(155) || a[i].Temp == f(165) {
			if a[i].Hold != 15*time.Second {
				t.Errorf("2013: %+v", a[i])
			}
			continue
		}
		a[i].Basis, b[i].Basis = rules.Citation{}, rules.Citation{}
		if !reflect.DeepEqual(a[i], b[i]) {
			t.Errorf("2013 %+v, 2017 %+v", a[i], b[i])
		}
	}
	n := usNYC()
	four, six := n.TimeControl[0], n.TimeControl[1]
	if n.HotLimit != f(*raw.NYC.Hot.F) || n.ColdLimit != f(*raw.NYC.Cold.F) || *four.HotMin != f(raw.NYC.Four.Start) || four.ColdMax != nil ||
		four.Limit != hours(raw.NYC.Four.H) || *six.ColdMax != f(raw.NYC.Six.Start) || *six.MaxFood != f(raw.NYC.Six.Over) || six.Limit != 6*time.Hour {
		t.Errorf("New York City: %+v", n)
	}
}
