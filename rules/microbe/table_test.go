package microbe

import (
	"fmt"
	"math"
	"testing"
	"time"

	"holdbell/sensor"
)

// published pairs every table with its column in testdata; the sources are in testdata/README.md.
type published struct {
	table         Table
	file, heading string
}

func everyTable() []published {
	all := []published{
		{Meat5(), "appendix_a_beef.csv", "log5_s"},
		{Meat65(), "appendix_a_beef.csv", "log6_5_s"},
		{Meat7(), "appendix_a_beef.csv", "log7_s"},
		{Roast(), "food_code_roast.csv", "current_s"},
	}
	for fat := 1; fat <= 12; fat++ {
		heading := fmt.Sprintf("fat_%dpct_s", fat)
		all = append(all, published{Chicken(fat), "appendix_a_chicken.csv", heading}, published{Turkey(fat), "appendix_a_turkey.csv", heading})
	}
	return all
}

func TestTablesAreThePublishedOnes(t *testing.T) {
	rows := 0
	for _, p := range everyTable() {
		want := readColumn(t, p.file, p.heading)
		if len(p.table.Rows) != len(want.seconds) {
			t.Fatalf("%s has %d rows, published are %d", p.table.Name, len(p.table.Rows), len(want.seconds))
		}
		for i, r := range p.table.Rows {
			hold := time.Duration(math.Round(want.seconds[i]*10)) * (time.Second / 10)
			if r.Fahrenheit != want.fahrenheit[i] || r.Hold != hold {
				t.Errorf("%s row %d is %v, published is %d °F for %v", p.table.Name, i, r, want.fahrenheit[i], hold)
			}
			if i > 0 && (r.Fahrenheit <= p.table.Rows[i-1].Fahrenheit || r.Hold > p.table.Rows[i-1].Hold) {
				t.Errorf("%s: %v follows %v", p.table.Name, r, p.table.Rows[i-1])
			}
			rows++
		}
	}
	if want := 3*31 + 17 + 24*30; rows != want {
		t.Errorf("%d rows compared, want %d", rows, want)
	}
}

// Every row of every table is a boundary: the row passes, a second short fails, and so does a thousandth of a degree.
func TestEveryRowIsABoundary(t *testing.T) {
	for _, p := range everyTable() {
		for i, r := range p.table.Rows {
			at := sensor.FahrenheitLimit(r.Fahrenheit)
			// A row of no time passes by the shortest stay, and only the temperature can fail it.
			long, short := r.Hold, r.Hold-time.Second
			if r.Hold == 0 {
				long, short = 1, 0
			}
			met := func(dt time.Duration, from, to sensor.Temp) (Row, bool) {
				var d Dwell
				d.Add(dt, from, to)
				return p.table.Met(&d)
			}
			// A lower row with the same time is met as well, and named first.
			want := r
			for j := i; j >= 0 && p.table.Rows[j].Hold == r.Hold; j-- {
				want = p.table.Rows[j]
			}
			if got, ok := met(long, at, at); !ok || got != want {
				t.Errorf("%s: %v at %d °F gives %v, %v; want %v", p.table.Name, long, r.Fahrenheit, got, ok, want)
			}
			if got, ok := met(short, at, at); ok {
				t.Errorf("%s: %v at %d °F meets %v", p.table.Name, short, r.Fahrenheit, got)
			}
			// A row below that asks for no more is met there, rightly.
			if i == 0 || p.table.Rows[i-1].Hold > r.Hold {
				if got, ok := met(long, at-1, at-1); ok {
					t.Errorf("%s: %v at a thousandth under %d °F meets %v", p.table.Name, long, r.Fahrenheit, got)
				}
			}
		}
	}
}

func TestDegreesAreConvertedAsReadingsAre(t *testing.T) {
	for i, at := range degrees {
		if want := sensor.FahrenheitLimit(firstDegree + i); at != want {
			t.Errorf("%d °F is %d, readings convert it to %d", firstDegree+i, at, want)
		}
	}
	for at, want := sensor.Temp(50_000), -1; at < 80_000; at++ {
		if want+1 < len(degrees) && at >= degrees[want+1] {
			want++
		}
		if got := degree(at); got != want {
			t.Fatalf("%d lies at degree %d, want %d", at, got, want)
		}
	}
}

// FSIS-GD-2021-14, Attachment A2: the row at or below the lowest temperature, with the total time at or above it; the
// example there is 154 °F for 27 s at 6.5 log.
func TestLookUp(t *testing.T) {
	table := Meat65()
	f := func(v float64) sensor.Temp {
		temp, ok := sensor.FromFahrenheit(v)
		if !ok {
			t.Fatalf("%v °F is no temperature", v)
		}
		return temp
	}
	const s = time.Second
	type leg struct {
		dt       time.Duration
		from, to float64
	}
	for _, c := range []struct {
		name string
		legs []leg
		want int // °F of the row met, 0: none
	}{
		{"the guideline's example", []leg{{27 * s, 154, 154}}, 154},
		{"no interpolation between 153 and 154 °F", []leg{{33 * s, 153.9, 153.9}}, 0},
		{"the row below", []leg{{34 * s, 153.9, 153.9}}, 153},
		{"stretches add up", []leg{{13 * s, 154, 154}, {s, 154, 140}, {s, 140, 154}, {14 * s, 154.5, 154.5}}, 154},
		{"time above counts for the row below", []leg{{5 * s, 157, 157}, {22 * s, 154, 154}}, 154},
		{"a line that only passes through", []leg{{30 * s, 140, 157}}, 0},
		{"158 °F is enough when touched", []leg{{30 * s, 140, 158}}, 158},
		{"a line back down", []leg{{s, 158, 100}}, 158},
	} {
		var d Dwell
		for _, l := range c.legs {
			d.Add(l.dt, f(l.from), f(l.to))
		}
		if row, ok := table.Met(&d); ok != (c.want != 0) || row.Fahrenheit != c.want {
			t.Errorf("%s: met %v, %v; want %d °F", c.name, row, ok, c.want)
		}
	}
}

func TestCrossingsAreExact(t *testing.T) {
	var d Dwell
	at := sensor.FahrenheitLimit(150)
	d.Add(3*time.Second, at-100, at+200)
	if got := d.At(150); got != 2*time.Second {
		t.Errorf("%v above 150 °F, want 2 s", got)
	}
	// A day between the coldest and the hottest that a reading can be: no overflow.
	d = Dwell{}
	d.Add(24*time.Hour, sensor.MinTemp, sensor.MaxTemp)
	want := 24 * 3600 * float64(sensor.MaxTemp-at) / float64(sensor.MaxTemp-sensor.MinTemp)
	if got := d.At(150).Seconds(); math.Abs(got-want) > 1e-8 {
		t.Errorf("%v s above 150 °F, want %v", got, want)
	}
	d = Dwell{}
	d.Add(0, at, at)
	d.Add(-time.Second, at, at)
	if d != (Dwell{}) {
		t.Errorf("no time left %v", d)
	}
	if d.At(129) != 0 || d.At(166) != 0 {
		t.Error("degrees outside every table have a time")
	}
}

func TestFatOutsideTheTableIsTwelvePercent(t *testing.T) {
	for _, fat := range []int{-1, 0, 13, 40} {
		for i, r := range Chicken(fat).Rows {
			if want := Chicken(12).Rows[i]; r != want {
				t.Errorf("chicken at %d %% fat: %v, want %v", fat, r, want)
			}
		}
	}
}

// Other birds take the longer of both (FSIS-GD-2021-14).
func TestOtherPoultryTakesTheLonger(t *testing.T) {
	longer := map[string]int{}
	for fat := 1; fat <= 12; fat++ {
		chicken, turkey := Chicken(fat), Turkey(fat)
		for i, r := range Poultry(fat).Rows {
			c, u := chicken.Rows[i], turkey.Rows[i]
			if r.Fahrenheit != c.Fahrenheit || r.Fahrenheit != u.Fahrenheit || r.Hold != max(c.Hold, u.Hold) {
				t.Errorf("%d %% fat: %v from chicken %v and turkey %v", fat, r, c, u)
			}
			if c.Hold > u.Hold {
				longer["chicken"]++
			} else if u.Hold > c.Hold {
				longer["turkey"]++
			}
		}
	}
	if longer["chicken"] == 0 || longer["turkey"] == 0 {
		t.Errorf("only one bird is ever the longer: %v", longer)
	}
}

func TestLeft(t *testing.T) {
	table := Meat65()
	at := sensor.FahrenheitLimit
	var d Dwell
	if _, _, ok := table.Left(&d, at(130)-1); ok {
		t.Error("below the lowest row there is time left")
	}
	if row, left, ok := table.Left(&d, at(145)+100); !ok || row.Fahrenheit != 145 || left != 4*time.Minute {
		t.Errorf("fresh at 145 °F: %v, %v, %v", row, left, ok)
	}
	// 11 of the 12 minutes at 140 °F, then a fall to 139 °F, where 15 are asked.
	d.Add(11*time.Minute, at(140), at(140))
	if row, left, _ := table.Left(&d, at(139)); row.Fahrenheit != 139 || left != 4*time.Minute {
		t.Errorf("after the fall: %v, %v", row, left)
	}
	// At 142 °F the minute still missing at 140 °F is shorter than the whole eight.
	if row, left, _ := table.Left(&d, at(142)); row.Fahrenheit != 140 || left != time.Minute {
		t.Errorf("after a rise: %v, %v", row, left)
	}
	d.Add(time.Minute, at(140), at(140))
	if row, left, ok := table.Left(&d, at(100)); !ok || left != 0 || row.Fahrenheit != 140 {
		t.Errorf("met: %v, %v, %v", row, left, ok)
	}
	// Where the row is reached but asks for no time, nothing is left the moment it is.
	d = Dwell{}
	if row, left, ok := table.Left(&d, at(160)); !ok || left != 0 || row.Fahrenheit != 158 {
		t.Errorf("at 160 °F: %v, %v, %v", row, left, ok)
	}
}

func TestRowsInWords(t *testing.T) {
	if got, want := (Row{154, 27 * time.Second}).String(), "154 °F for 27s"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := (Row{158, 0}).String(), "158 °F, reached"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
