package microbe

import (
	"encoding/csv"
	"math"
	"os"
	"testing"
	"time"

	"holdbell/sensor"
)

// The published column of the AMI Foundation's worked example, to 0.001 min at each of its rows.
func TestTrapezoidIsThePublishedWorksheet(t *testing.T) {
	f, err := os.Open("testdata/lethality_worked_example.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(records) != 17 {
		t.Fatalf("%d records, want a heading and 16 rows", len(records))
	}
	var l Lethality
	var before sensor.Temp
	var then time.Duration
	for i, rec := range records[1:] {
		at := time.Duration(number(t, rec[0]) * float64(time.Minute))
		temp, _ := sensor.FromFahrenheit(number(t, rec[1]))
		if i > 0 {
			l.Add(at-then, before, temp)
		}
		before, then = temp, at
		if got, want := l.Trapezoid/60, number(t, rec[2]); math.Abs(got-want) > 0.001 {
			t.Errorf("after %v: F %.4f min, published %.3f", at, got, want)
		}
		if l.Line > l.Trapezoid {
			t.Errorf("after %v: the line's %v exceeds the trapezoid's %v", at, l.Line, l.Trapezoid)
		}
	}
	// The worksheet's own D of 0.172 min: the rows seen are worth 0.863/0.172 powers of ten.
	if got := l.Trapezoid / 60 / 0.172; math.Abs(got-0.863/0.172) > 0.006 {
		t.Errorf("%.3f log, published rows give %.3f", got, 0.863/0.172)
	}
}

// Values computed from the confirmed figures with z 10 °F and D150 10.65 s.
func TestLethalityOfSteadyHolds(t *testing.T) {
	for _, c := range []struct {
		fahrenheit int
		dt         time.Duration
		want       float64
	}{{145, 4 * time.Minute, 7.13}, {150, 67 * time.Second, 6.29}, {140, 12 * time.Minute, 6.76}, {130, 112 * time.Minute, 6.31}} {
		var l Lethality
		at := sensor.FahrenheitLimit(c.fahrenheit)
		l.Add(c.dt, at, at)
		if got := l.Log10(D150Meat); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%d °F for %v: %.4f log, want %.2f", c.fahrenheit, c.dt, got, c.want)
		}
		if math.Abs(l.Line-l.Trapezoid) > 1e-9*l.Line {
			t.Errorf("%d °F: a level line gives %v, the trapezoid %v", c.fahrenheit, l.Line, l.Trapezoid)
		}
	}
}

// D and z for meat are the least squares through the table's three columns from 130 to 157 °F, each hold divided by its
// reduction.
func TestMeatKineticsAreTheTablesOwn(t *testing.T) {
	var n, sx, sy, sxx, sxy float64
	for heading, log := range map[string]float64{"log5_s": 5, "log6_5_s": 6.5, "log7_s": 7} {
		c := readColumn(t, "appendix_a_beef.csv", heading)
		for i, f := range c.fahrenheit {
			if f > 157 {
				continue
			}
			x, y := float64(f-150), math.Log10(c.seconds[i]/log)
			n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
		}
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	d := math.Pow(10, (sy-slope*sx)/n)
	if math.Abs(-1/slope-10) > 0.1 || math.Abs(d-D150Meat.Seconds()) > 0.1 {
		t.Errorf("the columns give z %.3f °F and D150 %.3f s", -1/slope, d)
	}
}

// The integral with the poultry figure claims no more than the table at any row that is held as printed, and is not
// looser than it must be.
func TestPoultryFigureClaimsNoMoreThanTheTables(t *testing.T) {
	most := 0.0
	for fat := 1; fat <= 12; fat++ {
		for _, table := range []Table{Chicken(fat), Turkey(fat)} {
			for _, r := range table.Rows {
				var l Lethality
				l.Add(max(r.Hold, 1), r.Temp(), r.Temp())
				most = max(most, l.Log10(D150Poultry))
			}
		}
	}
	if most > 7 || most < 6.9 {
		t.Errorf("at most %.3f log, want just under 7", most)
	}
}

func TestLethalityEndsWhereTheTablesDo(t *testing.T) {
	at := sensor.FahrenheitLimit
	var l Lethality
	l.Add(8*time.Hour, at(130)-1, at(130)-1)
	if l.Line != 0 {
		t.Errorf("a warm day under 130 °F earned %v s", l.Line)
	}
	var top, boiling Lethality
	top.Add(time.Minute, at(165), at(165))
	boiling.Add(time.Minute, at(212), at(212))
	if top != boiling || top.Line < 60*31 {
		t.Errorf("165 °F %v, 212 °F %v", top, boiling)
	}
	l = Lethality{}
	l.Add(365*24*time.Hour, sensor.MaxTemp, sensor.MinTemp)
	if math.IsInf(l.Trapezoid, 0) || math.IsNaN(l.Line) || l.Line <= 0 {
		t.Errorf("the whole range gives %v", l)
	}
	l = Lethality{}
	l.Add(0, at(150), at(150))
	l.Add(-time.Second, at(150), at(150))
	if l != (Lethality{}) {
		t.Errorf("no time left %v", l)
	}
}

// Line against a million small steps, and Trapezoid against its two ends, in the standard library's own powers.
func TestLineIsTheIntegral(t *testing.T) {
	for _, c := range [][2]float64{{128, 138}, {138, 128}, {131, 131.5}, {149.9, 150.1}, {100, 212}, {160, 170}, {40, 180}, {150, 140}, {101, 112}} {
		from, _ := sensor.FromFahrenheit(c[0])
		to, _ := sensor.FromFahrenheit(c[1])
		var l Lethality
		l.Add(time.Minute, from, to)
		rate := func(mc float64) float64 {
			return math.Pow(10, (min(mc*9/5000+32, lethalCap.Fahrenheit())-150)/10)
		}
		if want := 30 * (rate(float64(from)) + rate(float64(to))); math.Abs(l.Trapezoid-want) > 1e-11*want {
			t.Errorf("%v to %v °F: trapezoid %v s, want %v", c[0], c[1], l.Trapezoid, want)
		}
		const steps = 1_000_000
		sum := 0.0
		for i := range steps {
			mc := float64(from) + (float64(i)+0.5)/steps*float64(to-from)
			if mc >= float64(lethalFloor) {
				sum += 60. / steps * rate(mc)
			}
		}
		if math.Abs(l.Line-sum) > 1e-5*sum {
			t.Errorf("%v to %v °F: %v s, small steps give %v", c[0], c[1], l.Line, sum)
		}
	}
}
