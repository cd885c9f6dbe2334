package microbe

import (
	"fmt"
	"math/bits"
	"time"

	"holdbell/sensor"
)

// firstDegree and lastDegree bound the whole degrees Fahrenheit at which any table has a row.
const (
	firstDegree = 130
	lastDegree  = 165
)

// degrees are 130 to 165 °F in thousandths of a °C, as readings in °F are converted.
var degrees = [lastDegree - firstDegree + 1]sensor.Temp{
	54444, 55000, 55556, 56111, 56667, 57222, 57778, 58333, 58889, 59444, 60000, 60556, // 130 to 141 °F
	61111, 61667, 62222, 62778, 63333, 63889, 64444, 65000, 65556, 66111, 66667, 67222, // 142 to 153 °F
	67778, 68333, 68889, 69444, 70000, 70556, 71111, 71667, 72222, 72778, 73333, 73889, // 154 to 165 °F
}

// Dwell is the total time that food spent at or above each whole degree from 130 to 165 °F: all that any Table asks.
// Time in several stretches adds up (FSIS-GD-2021-14, Attachment A2: total time at or above a row's temperature
// counts), so that one Dwell is one cook; start a new one for a new cook. The zero value is ready.
//
// Give it the lowest reading of the lot.
type Dwell struct {
	// Within is the time from each degree up to the next: 130 to 131 °F, 131 to 132 °F ..., and last from 165 °F up.
	Within [lastDegree - firstDegree + 1]time.Duration `json:"within_ns"`
	// Highest is the highest temperature added: it decides the rows that ask for no time.
	Highest sensor.Temp `json:"highest_mc"`
}

// Add counts dt, over which the food went from one temperature to the other in a straight line. Crossings are exact in
// integers and rounded down by less than a nanosecond each. A dt of zero or less counts nothing. A gap without
// readings must not be added.
func (d *Dwell) Add(dt time.Duration, from, to sensor.Temp) {
	lo, hi := min(from, to), max(from, to)
	if dt <= 0 || hi < degrees[0] {
		return
	}
	d.Highest = max(d.Highest, hi)
	first, last := max(0, degree(lo)), degree(hi)
	if lo >= degrees[0] && first == last {
		d.Within[first] += dt
		return
	}
	// From the top down: the time above each degree, less what lies above the next.
	above := time.Duration(0)
	for i := last; i >= first; i-- {
		whole := dt
		if at := degrees[i]; at > lo {
			// Both factors can be large; the product of 128 bits cannot overflow, and the share is at most one.
			high, low := bits.Mul64(uint64(dt), uint64(int64(hi)-int64(at)))
			part, _ := bits.Div64(high, low, uint64(int64(hi)-int64(lo)))
			whole = time.Duration(part)
		}
		d.Within[i] += whole - above
		above = whole
	}
}

// degree is the index of the last whole degree at or below t; negative below the first.
func degree(t sensor.Temp) int {
	if t < degrees[0] {
		return -1
	}
	return min(int(t-degrees[0])*9/5000, len(degrees)-1)
}

// At is the time spent at or above a whole degree Fahrenheit; zero outside 130 to 165.
func (d *Dwell) At(fahrenheit int) time.Duration {
	if fahrenheit < firstDegree || fahrenheit > lastDegree {
		return 0
	}
	sum := time.Duration(0)
	for _, part := range d.Within[fahrenheit-firstDegree:] {
		sum += part
	}
	return sum
}

// Row asks that every part of the food stay at or above a temperature for a time. A Hold of zero asks only that it be
// reached.
type Row struct {
	Fahrenheit int
	Hold       time.Duration
}

// Temp is the row's temperature as readings are converted.
func (r Row) Temp() sensor.Temp { return sensor.FahrenheitLimit(r.Fahrenheit) }

// String says the row in words, such as "154 °F for 27s".
func (r Row) String() string {
	if r.Hold == 0 {
		return fmt.Sprintf("%d °F, reached", r.Fahrenheit)
	}
	return fmt.Sprintf("%d °F for %v", r.Fahrenheit, r.Hold)
}

// Table is a published table of times and temperatures, its rows in rising temperature. Building one allocates; keep
// it.
type Table struct {
	Name  string // such as "meat, 6.5 log"
	Basis string // document and table
	Rows  []Row
}

// Met gives the row of the lowest temperature that d fulfils. The row looked up for a reading is the one at or below
// it, never a value between two rows: printed times are rounded, and some lie under the straight line.
func (t *Table) Met(d *Dwell) (row Row, ok bool) {
	if d.Highest < degrees[0] {
		return row, false
	}
	above, next := time.Duration(0), len(degrees)
	for i := len(t.Rows) - 1; i >= 0; i-- {
		r := t.Rows[i]
		at := r.Fahrenheit - firstDegree
		for next > at {
			next--
			above += d.Within[next]
		}
		if d.Highest >= degrees[at] && above >= r.Hold {
			row, ok = r, true
		}
	}
	return row, ok
}

// Left gives the row that would be met first if the food stayed at its present temperature, and the time that it
// still needs; zero when a row is met. ok is false below the lowest row.
func (t *Table) Left(d *Dwell, now sensor.Temp) (row Row, left time.Duration, ok bool) {
	if row, ok = t.Met(d); ok {
		return row, 0, true
	}
	for _, r := range t.Rows {
		if degrees[r.Fahrenheit-firstDegree] > now {
			break
		}
		if need := max(0, r.Hold-d.At(r.Fahrenheit)); !ok || need < left {
			row, left, ok = r, need, true
		}
	}
	return row, left, ok
}

const fsis = "FSIS Cooking Guideline for Meat and Poultry Products (Revised Appendix A), FSIS-GD-2021-14, "

// Meat5 is the table for cooked patties, 5 log of Salmonella; other products need support of their own for it.
func Meat5() Table { return meat("meat, 5 log", fsis+"Table 6", 0) }

// Meat65 is the table for roast, cooked and corned beef, 6.5 log of Salmonella (9 CFR 318.17).
func Meat65() Table { return meat("meat, 6.5 log", fsis+"Table 2", 1) }

// Meat7 is the table for meat, 7 log of Salmonella.
func Meat7() Table { return meat("meat, 7 log", fsis+"Table 2", 2) }

func meat(name, basis string, column int) Table {
	t := Table{Name: name, Basis: basis}
	for i, holds := range meatTenths {
		t.Rows = append(t.Rows, newRow(130+i, holds[column]))
	}
	return t
}

// Chicken is the table for chicken, 7 log of Salmonella (9 CFR 381.150), by percent of fat: 1 to 12. What lies outside
// (more fat, or unknown: 0) is looked up at 12 percent, as the guideline asks. Round a fraction up.
func Chicken(fat int) Table { return poultry("chicken", "Table 3", fat, &chickenTenths) }

// Turkey is Chicken for turkey.
func Turkey(fat int) Table { return poultry("turkey", "Table 4", fat, &turkeyTenths) }

func poultry(bird, number string, fat int, tenths *[30][12]int32) Table {
	if fat < 1 || fat > 12 {
		fat = 12
	}
	t := Table{Name: fmt.Sprintf("%s, 7 log, %d %% fat", bird, fat), Basis: fsis + number}
	for i := range tenths {
		t.Rows = append(t.Rows, newRow(136+i, tenths[i][fat-1]))
	}
	return t
}

// Poultry is the table for any other bird and for mixed species: at each row the longer of chicken and turkey.
func Poultry(fat int) Table {
	t, turkey := Chicken(fat), Turkey(fat)
	t.Name = "other poultry" + t.Name[len("chicken"):]
	t.Basis = fsis + "Tables 3 and 4, the longer"
	for i := range t.Rows {
		t.Rows[i].Hold = max(t.Rows[i].Hold, turkey.Rows[i].Hold)
	}
	return t
}

// Roast is the Food Code's table for whole meat roasts. It is half of that rule: the oven's temperature and humidity
// for the roast's weight are the other half, and this table does not see them.
func Roast() Table {
	t := Table{Name: "whole meat roast", Basis: "FDA Food Code 2022, 3-401.11(B)(2), as adopted in SC 61-25 and 18 AAC 31.232"}
	for _, r := range roastTenths {
		t.Rows = append(t.Rows, newRow(int(r[0]), r[1]))
	}
	return t
}

func newRow(fahrenheit int, tenths int32) Row {
	return Row{Fahrenheit: fahrenheit, Hold: time.Duration(tenths) * (time.Second / 10)}
}
