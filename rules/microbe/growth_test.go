package microbe

import (
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/sensor"
)

// worked is growth_worked_results.json.
type worked struct {
	Published []struct {
		ID          string             `json:"id"`
		N0          float64            `json:"N0_log10"`
		TimeH       []float64          `json:"time_h"`
		TempC       []float64          `json:"temp_c"`
		Rate        []float64          `json:"rate_log10_per_h"`
		Count       []float64          `json:"log10_cfu_g"`
		Profile     [][2]float64       `json:"profile_h_C"`
		Increase    map[string]float64 `json:"log10_increase"`
		WeGet       map[string]float64 `json:"we_get"`
		IncreasePre float64            `json:"log10_increase_pred"`
		Tolerance   float64            `json:"tolerance"`
	} `json:"published"`
	Vectors struct {
		Cases map[string]struct {
			Profile  [][2]float64       `json:"profile_h_C"`
			Increase map[string]float64 `json:"log10_increase"`
		} `json:"cases"`
	} `json:"computed_here_golden_vectors"`
}

func readWorked(t *testing.T) worked {
	var w worked
	readJSON(t, "growth_worked_results.json", &w)
	return w
}

// run gives the growth of a profile of hours and °C, each leg of which is cut in so many equal parts.
func run(t *testing.T, profile [][2]float64, parts int) *Growth {
	t.Helper()
	var g Growth
	for i := 1; i < len(profile); i++ {
		a, b := profile[i-1], profile[i]
		for k := range parts {
			x, y := float64(k)/float64(parts), float64(k+1)/float64(parts)
			g.Add(hours((b[0]-a[0])/float64(parts)), celsius(t, a[1]+(b[1]-a[1])*x), celsius(t, a[1]+(b[1]-a[1])*y))
		}
	}
	return &g
}

// uncapped is Range without the Ceiling.
func uncapped(g *Growth, m Model) (low, high float64) {
	return increase(models[m].lnQ0, g.Work[m]), increase(models[m].lnQ0Short, g.Work[m])
}

// The 13 points of the USDA-ARS Pathogen Modeling Program (ModelID 2021166), to 0.01 at each hour, rate and count.
func TestBCereusIsThePublishedTable(t *testing.T) {
	for _, p := range readWorked(t).Published {
		if p.ID != "BC-PMP" {
			continue
		}
		if len(p.TimeH) != 13 || len(p.Count) != 13 || len(p.Rate) != 13 || len(p.TempC) != 13 {
			t.Fatalf("the table has %d hours", len(p.TimeH))
		}
		var g Growth
		for i, h := range p.TimeH {
			at := celsius(t, p.TempC[i])
			if i > 0 {
				g.Add(hours(h-p.TimeH[i-1]), celsius(t, p.TempC[i-1]), at)
			}
			if got := p.N0 + g.Log10(BCereusRice); math.Abs(got-p.Count[i]) > p.Tolerance {
				t.Errorf("hour %v: count %.4f, published %.2f", h, got, p.Count[i])
			}
			var still Growth
			still.Add(time.Hour, at, at)
			if got := still.Work[BCereusRice] / math.Ln10; math.Abs(got-p.Rate[i]) > p.Tolerance {
				t.Errorf("hour %v: rate %.4f, published %.2f", h, got, p.Rate[i])
			}
		}
		return
	}
	t.Fatal("no BC-PMP in the worked results")
}

// The paper's predictions for 54 to 27 °C in 1.5 h and to 4 °C in 5 h more, from memory of its abstract, within 0.1; and
// what the project's collection computed from the coefficients.
func TestCPerfringensMeetsThePublishedPredictions(t *testing.T) {
	for _, p := range readWorked(t).Published {
		if p.ID != "CP-2011" {
			continue
		}
		g := run(t, p.Profile, 1)
		for food, m := range map[string]Model{"beef": CPerfringensBeef, "chicken": CPerfringensChicken, "pork": CPerfringensPork} {
			low, _ := g.Range(m)
			if want := p.Increase[food]; want == 0 || math.Abs(low-want) > p.Tolerance {
				t.Errorf("%s: %.3f log, published %.2f", food, low, want)
			}
		}
		for name, m := range map[string]Model{"beef q0=.007": CPerfringensBeef, "chicken q0=.0105": CPerfringensChicken, "pork q0=.0137": CPerfringensPork} {
			if low, _ := g.Range(m); math.Abs(low-p.WeGet[name]) > 0.006 {
				t.Errorf("%s: %.4f log, computed before %.2f", name, low, p.WeGet[name])
			}
		}
		return
	}
	t.Fatal("no CP-2011 in the worked results")
}

// An earlier model of the same authors (Juneja, Marks, Thippareddi 2007/2008, abstract read) predicted these; the range
// over both lag constants encloses both.
func TestBeefRangeEnclosesTheEarlierPredictions(t *testing.T) {
	cases := 0
	for _, p := range readWorked(t).Published {
		if p.ID != "CP-2008" && p.ID != "CP-2008b" {
			continue
		}
		cases++
		low, high := run(t, p.Profile, 1).Range(CPerfringensBeef)
		if p.IncreasePre < low || p.IncreasePre > high {
			t.Errorf("%s: published %.2f is outside %.2f to %.2f", p.ID, p.IncreasePre, low, high)
		}
	}
	if cases != 2 {
		t.Errorf("%d cases, want 2", cases)
	}
}

// Challenge studies: the prediction is on the safe side of what was observed. Cured products too, since salt and nitrite
// only slow growth; their decline was log-linear, taken here as an exponential towards the lower end's surroundings.
func TestPredictionsAreOnTheSafeSide(t *testing.T) {
	// Glass et al., Meat and Muscle Biology 17650 and 17657 (abstracts): uncured turkey, first phase of so many hours.
	turkey := func(phase float64) float64 {
		g := run(t, [][2]float64{{0, 48.9}, {phase, 26.7}, {phase + 5, 12.8}, {phase + 10, 4.4}}, 1)
		return g.Log10(CPerfringensChicken)
	}
	if two, five := turkey(2), turkey(5); two < 1.5 || five < 6 {
		t.Errorf("turkey: %.2f log after a first phase of 2 h and %.2f of 5 h; observed over 1.5 and over 6", two, five)
	}
	// J. Food Protection 2012 75:682 (abstract): uncured ground pork, 54.4 to 7.2 °C within 20 h, +2.8 observed.
	if got := run(t, [][2]float64{{0, 54.4}, {20, 7.2}}, 1).Log10(CPerfringensPork); got < 2.8 {
		t.Errorf("pork over 20 h: %.2f log, observed 2.8", got)
	}
	// Log-linear: the temperature's logarithm falls on a straight line.
	logLinear := func(from, to, h float64) *Growth {
		var profile [][2]float64
		for i := range 101 {
			x := float64(i) / 100
			profile = append(profile, [2]float64{h * x, from * math.Pow(to/from, x)})
		}
		return run(t, profile, 1)
	}
	// Juneja, Novak, Marks, Gombas 2001 (abstract): cured beef, factor 8.50 at the upper 95 %, 51 to 11 °C in 8 h.
	if got := logLinear(51, 11, 8).Log10(CPerfringensBeef); got < math.Log10(8.50) {
		t.Errorf("cured beef: %.2f log, observed at most %.2f", got, math.Log10(8.50))
	}
	// Juneja and Marks 2002 (abstract): cured chicken, factor 21.3 at the upper 95 %, 51 to 12 °C in 8 h.
	if got := logLinear(51, 12, 8).Log10(CPerfringensChicken); got < math.Log10(21.3) {
		t.Errorf("cured chicken: %.2f log, observed at most %.2f", got, math.Log10(21.3))
	}
}

// Labbe and Huang 1995, J. Food Protection 58:1303: a generation takes 6.3 to 9.2 min at 41 to 46 °C in ground beef.
func TestBeefDoublesAsFastAsWasMeasured(t *testing.T) {
	for _, c := range []float64{43, 45, 46} {
		var g Growth
		g.Add(time.Hour, celsius(t, c), celsius(t, c))
		if got := 60 * math.Ln2 / g.Work[CPerfringensBeef]; got < 6.3 || got > 9.2 {
			t.Errorf("%v °C: %.2f min a generation", c, got)
		}
	}
}

// Vectors computed from the same models by midpoint steps of 5 s: not published, they guard against regressions.
func TestRegressionVectors(t *testing.T) {
	cases := readWorked(t).Vectors.Cases
	if len(cases) < 17 {
		t.Fatalf("only %d cases", len(cases))
	}
	for name, c := range cases {
		g := run(t, c.Profile, 1)
		beefLow, beefHigh := uncapped(g, CPerfringensBeef)
		chicken, _ := uncapped(g, CPerfringensChicken)
		porkLow, porkHigh := uncapped(g, CPerfringensPork)
		for which, got := range map[string]float64{"beef q0=.007": beefLow, "beef q0=.0699": beefHigh, "chicken q0=.0105": chicken,
			"pork q0=.0137": porkLow, "pork q0=.04": porkHigh} {
			want, ok := c.Increase[which]
			if !ok {
				t.Errorf("%s lacks %s", name, which)
			}
			if math.Abs(got-want) > 0.005 {
				t.Errorf("%s, %s: %.4f log, want %.3f", name, which, got, want)
			}
		}
	}
}

// The closed form against the differential equations themselves, stepped in ln q by Runge and Kutta's midpoint rule.
func TestClosedFormSolvesTheEquations(t *testing.T) {
	profile := [][2]float64{{0, 58}, {1.2, 31}, {2, 44}, {3, 20}, {6, 4}}
	g := run(t, profile, 1)
	for m := range NumModels {
		p := models[m]
		mu := func(c float64) float64 {
			if c <= p.tmin || c >= p.tmax {
				return 0
			}
			return p.c * (c - p.tmin) * (c - p.tmin) * (1 - math.Exp(p.b*(c-p.tmax)))
		}
		lnQ, y := p.lnQ0, 0.0
		const step = 1. / 3600
		for i := 1; i < len(profile); i++ {
			a, b := profile[i-1], profile[i]
			n := int(math.Round((b[0] - a[0]) / step))
			for k := range n {
				middle := mu(a[1] + (b[1]-a[1])*(float64(k)+0.5)/float64(n))
				y += step * middle / (1 + math.Exp(-(lnQ + step/2*middle)))
				lnQ += step * middle
			}
		}
		if got, _ := uncapped(g, m); math.Abs(got-y/math.Ln10) > 1e-6 {
			t.Errorf("%v: %v log, stepped %v", m, got, y/math.Ln10)
		}
	}
}

func TestModelsAreThePublishedOnes(t *testing.T) {
	var file struct {
		CPerfringens struct {
			Citation string `json:"citation"`
			Params   map[string]struct {
				A, Tmin, B, Tmax, Q0 float64
				Listed               float64 `json:"q0_as_listed_in_database"`
				FailSafe             float64 `json:"q0_failsafe"`
			} `json:"params"`
		} `json:"cperf_juneja2011"`
		BCereus struct {
			Citation  string  `json:"citation"`
			Secondary string  `json:"secondary"`
			H0        float64 `json:"h0"`
		} `json:"bcereus_rice_juneja2019"`
	}
	readJSON(t, "growth_models.json", &file)
	near := func(what string, got, want float64) {
		t.Helper()
		if want == 0 || math.Abs(got-want) > 1e-12*math.Abs(want) {
			t.Errorf("%s is %v, published %v", what, got, want)
		}
	}
	for food, m := range map[string]Model{"beef": CPerfringensBeef, "chicken": CPerfringensChicken, "pork": CPerfringensPork} {
		want, got := file.CPerfringens.Params[food], models[m]
		near(food+" c", got.c, want.A*want.A*math.Log(10))
		near(food+" tmin", got.tmin, want.Tmin)
		near(food+" b", got.b, want.B)
		near(food+" tmax", got.tmax, want.Tmax)
		near(food+" ln q0", got.lnQ0, math.Log(want.Q0))
		short := max(want.Q0, want.Listed, want.FailSafe)
		near(food+" ln q0 of the shorter lag", got.lnQ0Short, math.Log(short))
		if place := file.CPerfringens.Citation[len(file.CPerfringens.Citation)-len("28:791-795"):]; !strings.Contains(m.Provenance(), place) {
			t.Errorf("%v does not name %s", m, place)
		}
	}
	rice := models[BCereusRice]
	near("rice h0", softplus(-rice.lnQ0), file.BCereus.H0)
	near("rice shorter lag", rice.lnQ0Short, rice.lnQ0)
	if want := "mu_ln_per_h = 0.0046*(T-8.67)^2*(1-exp(0.0656*(T-49.68)))"; file.BCereus.Secondary != want || rice.c != 0.0046 || rice.tmin != 8.67 || rice.b != 0.0656 || rice.tmax != 49.68 {
		t.Errorf("rice is %+v, published %s", rice, file.BCereus.Secondary)
	}
	if !strings.Contains(BCereusRice.Provenance(), "290:49-58") || !strings.Contains(file.BCereus.Citation, "290:49-58") {
		t.Error("rice does not name its paper")
	}
	lowest, highest := models[0].tmin, models[0].tmax
	for m := range NumModels {
		lowest, highest = min(lowest, models[m].tmin), max(highest, models[m].tmax)
		if m.String() == "" || !strings.Contains(m.String(), " in ") {
			t.Errorf("model %d is called %q", m, m)
		}
	}
	if growthLow != celsius(t, lowest) || growthHigh != celsius(t, highest) {
		t.Errorf("growth is looked for from %v to %v, models go from %v to %v", growthLow, growthHigh, lowest, highest)
	}
	if NumModels.Provenance() != "" || NumModels.String() != "model(4)" {
		t.Errorf("beyond the models: %q, %q", NumModels.Provenance(), NumModels)
	}
}

// The last time at 60 °C is the start; a rewarm to less takes nothing back; no hours at 60 °C grow anything.
func TestStart(t *testing.T) {
	const sixty sensor.Temp = 60_000
	var cooled Growth
	cooled.Add(2*time.Hour, 58000, 20000)
	if cooled.Log10(CPerfringensBeef) < 1 {
		t.Fatalf("two hours of cooling gave %v", cooled)
	}
	rewarmed := cooled
	rewarmed.Add(time.Minute, 20000, sixty-1)
	rewarmed.Add(time.Minute, sixty-1, sixty-1)
	for m := range NumModels {
		if rewarmed.Work[m] < cooled.Work[m] {
			t.Errorf("%v: a rewarm under 60 °C took growth back", m)
		}
	}
	reheated := cooled
	reheated.Add(time.Minute, 20000, sixty)
	if reheated != (Growth{}) {
		t.Errorf("60 °C left %v", reheated)
	}
	// A line down through 60 °C starts there, and what it grew before is gone.
	var fresh Growth
	fresh.Add(time.Hour, sixty, 10000)
	again := cooled
	again.Add(time.Hour, sixty, 10000)
	if again != fresh || fresh.Work[CPerfringensBeef] == 0 {
		t.Errorf("after 60 °C %v, fresh %v", again, fresh)
	}
	var hot Growth
	hot.Add(24*time.Hour, 57222, 57222)
	hot.Add(24*time.Hour, 4000, 4000)
	hot.Add(0, 45000, 45000)
	hot.Add(-time.Hour, 45000, 45000)
	hot.AddUnknown(0)
	hot.AddUnknown(-time.Hour)
	if hot != (Growth{}) {
		t.Errorf("135 °F, 4 °C and no time grew %v", hot)
	}
}

// Unknown time grows at the fastest that any temperature allows, and no slower.
func TestUnknownTimeIsTheWorst(t *testing.T) {
	var unknown, best Growth
	unknown.AddUnknown(time.Hour)
	for c := sensor.Temp(0); c < restart; c += 5 {
		var g Growth
		g.Add(time.Hour, c, c)
		for m := range NumModels {
			best.Work[m] = max(best.Work[m], g.Work[m])
		}
	}
	for m := range NumModels {
		if d := unknown.Work[m] - best.Work[m]; d < -1e-9 || d > 1e-6 {
			t.Errorf("%v: unknown time %v an hour, the fastest is %v", m, unknown.Work[m], best.Work[m])
		}
	}
}

func TestIncreaseIsShownUpToTheCeiling(t *testing.T) {
	var g Growth
	g.Add(100*time.Hour, 45000, 45000)
	for m := range NumModels {
		low, high := g.Range(m)
		if low != Ceiling || high != Ceiling || g.Log10(m) != Ceiling {
			t.Errorf("%v: %v to %v", m, low, high)
		}
	}
	if low, high := g.Range(NumModels); low != 0 || high != 0 {
		t.Errorf("no model: %v to %v", low, high)
	}
	if low, high := new(Growth).Range(CPerfringensBeef); low != 0 || high != 0 {
		t.Errorf("no time: %v to %v", low, high)
	}
}
