package ledger

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"holdbell/sensor"
)

// A thinned block is thinFormat and a packed body: how many rows and probes (uvarints); of each row its first
// instant, how many sweeps it stands for (uvarint) and, of several, the instant of the last; then, probe
// by probe, its reading in every row. A reading is a fault as in a full block, else faultRoom plus the zigzag
// difference of its minimum to the one before; in a row of several sweeps the spread from minimum to maximum
// follows, doubled, odd where the maximum came first, and after a spread the mean in meanSteps-ths of it.
const (
	thinFormat = 2
	meanSteps  = 255
)

// thinRow is the longest that the sweeps of one row lie apart.
const thinRow = 10 * time.Second

// thinned is a row: what is kept of some sweeps that followed one another. All are of one boot, with the same
// faults at the same probes, so that every gap and fault is still there, to the sweep.
type thinned struct {
	first, last sensor.Instant
	count       int
	stats       []stat // a probe each
}

// stat is a probe's reading in a row: a fault, or the extremes and the mean.
type stat struct {
	fault     sensor.Fault
	low, high sensor.Temp
	step      uint8 // the mean lies so many meanSteps-ths from low to high
	highFirst bool  // the maximum came before the minimum
}

func (s *stat) mean() sensor.Temp {
	spread := int64(s.high) - int64(s.low)
	return sensor.Temp(int64(s.low) + (spread*int64(s.step)+meanSteps/2)/meanSteps)
}

// thin sums sweeps up. apart names the places of sweeps that become rows of their own, because something was
// told or decided with them: their readings stay as they were.
func thin(sweeps []sensor.Sweep, apart func(int) bool) []thinned {
	var rows []thinned
	for from := 0; from < len(sweeps); {
		to := from + 1
		for alone := apart(from); !alone && to < len(sweeps) && !apart(to) && alike(&sweeps[from], &sweeps[to-1], &sweeps[to]); {
			to++
		}
		rows = append(rows, sum(sweeps[from:to]))
		from = to
	}
	return rows
}

// alike reports whether s can stand in one row with first and what follows it up to prev.
func alike(first, prev, s *sensor.Sweep) bool {
	moved := s.At.Mono - prev.At.Mono
	if s.At.Boot != first.At.Boot || s.At.Believed != first.At.Believed || moved < 0 ||
		s.At.Mono-first.At.Mono >= thinRow || !prev.At.Wall.Add(moved).Equal(s.At.Wall) {
		return false
	}
	for i := range s.Readings {
		if s.Readings[i].Fault != first.Readings[i].Fault {
			return false
		}
	}
	return true
}

// sum makes a row of sweeps that are alike.
func sum(sweeps []sensor.Sweep) thinned {
	r := thinned{first: sweeps[0].At, last: sweeps[len(sweeps)-1].At, count: len(sweeps), stats: make([]stat, len(sweeps[0].Readings))}
	for i := range r.stats {
		s := &r.stats[i]
		if s.fault = sweeps[0].Readings[i].Fault; s.fault != sensor.None {
			continue
		}
		low, high, total := 0, 0, int64(0)
		for j := range sweeps {
			t := sweeps[j].Readings[i].Temp
			total += int64(t)
			if t < sweeps[low].Readings[i].Temp {
				low = j
			}
			if t > sweeps[high].Readings[i].Temp {
				high = j
			}
		}
		s.low, s.high, s.highFirst = sweeps[low].Readings[i].Temp, sweeps[high].Readings[i].Temp, high < low
		if spread := int64(s.high) - int64(s.low); spread > 0 {
			over := total - int64(s.low)*int64(len(sweeps)) // the mean above low, times the number of sweeps
			whole := spread * int64(len(sweeps))
			s.step = uint8(math.Round(float64(over) / float64(whole) * meanSteps))
		}
	}
	return r
}

// places gives the offsets of the sweeps that a row is read as, from the first that it stands for: a row of
// one gives that; one of more the extremes in the order in which they came, and the mean between.
func (r *thinned) places() []int {
	switch r.count {
	case 1:
		return []int{0}
	case 2:
		return []int{0, 1}
	}
	return []int{0, r.count / 2, r.count - 1}
}

// appendSweeps reads a row as sweeps, at the offsets of places.
func (r *thinned) appendSweeps(sweeps []sensor.Sweep) []sensor.Sweep {
	n := len(r.places())
	for k := range n {
		s := sensor.Sweep{At: r.first, Readings: make([]sensor.Reading, len(r.stats))}
		switch {
		case k == 0:
		case k == n-1:
			s.At = r.last
		default:
			s.At = r.first.Add((r.last.Mono - r.first.Mono) / 2)
		}
		for i := range r.stats {
			st := &r.stats[i]
			switch {
			case st.fault != sensor.None:
				s.Readings[i] = sensor.Bad(st.fault)
			case n == 3 && k == 1:
				s.Readings[i].Temp = st.mean()
			case (k == 0) == st.highFirst:
				s.Readings[i].Temp = st.high
			default:
				s.Readings[i].Temp = st.low
			}
		}
		sweeps = append(sweeps, s)
	}
	return sweeps
}

func encodeThin(rows []thinned) ([]byte, error) {
	probes := len(rows[0].stats)
	b := binary.AppendUvarint(nil, uint64(len(rows)))
	b = binary.AppendUvarint(b, uint64(probes))
	prev, step := sensor.Instant{}, int64(0)
	for i := range rows {
		r := &rows[i]
		b = appendInstant(b, r.first, &prev, &step)
		b = binary.AppendUvarint(b, uint64(r.count))
		if r.count > 1 {
			b = appendInstant(b, r.last, &prev, &step)
		}
	}
	for j := range probes {
		last := int64(0)
		for i := range rows {
			s := &rows[i].stats[j]
			if s.fault != sensor.None {
				b = append(b, byte(s.fault))
				continue
			}
			b = binary.AppendUvarint(b, faultRoom+zigzag(int64(s.low)-last))
			last = int64(s.low)
			if rows[i].count == 1 {
				continue
			}
			spread := 2 * (int64(s.high) - int64(s.low))
			if s.highFirst {
				spread++
			}
			b = binary.AppendUvarint(b, uint64(spread))
			if spread > 0 {
				b = append(b, s.step)
			}
		}
	}
	packed, err := packTight(b)
	return append([]byte{thinFormat}, packed...), err
}

// decodeThin is the inverse of encodeThin. What it allocates is bounded by what the body holds, and that by
// maxSnapshot.
func decodeThin(b []byte) ([]thinned, error) {
	if len(b) == 0 || b[0] != thinFormat {
		return nil, errBlock
	}
	body, err := unpack(b[1:])
	if err != nil {
		return nil, errBlock
	}
	d := decoder{b: body}
	count, probes := d.uvarint(), d.uvarint()
	// A row takes three bytes and one a reading at least.
	if rest := uint64(len(d.b)); d.bad || probes > rest || count > rest/(3+probes) {
		return nil, errBlock
	}
	rows, all := make([]thinned, count), make([]stat, count*probes)
	prev, step := sensor.Instant{}, int64(0)
	for i := range rows {
		r := &rows[i]
		r.stats, all = all[:probes:probes], all[probes:]
		r.first = d.instant(&prev, &step)
		r.last = r.first
		n := d.uvarint()
		if n == 0 || n > math.MaxInt32 {
			return nil, errBlock
		}
		if r.count = int(n); r.count > 1 {
			r.last = d.instant(&prev, &step)
		}
	}
	for j := range int(probes) {
		last := int64(0)
		for i := range rows {
			if !d.stat(&rows[i].stats[j], &last, rows[i].count > 1) {
				return nil, errBlock
			}
		}
	}
	if d.bad || len(d.b) > 0 {
		return nil, errBlock
	}
	return rows, nil
}

// stat reads one probe's reading of a row; last is the minimum before. False: it cannot be one.
func (d *decoder) stat(s *stat, last *int64, several bool) bool {
	v := d.uvarint()
	if v < faultRoom {
		s.fault = sensor.Fault(v)
		return v > 0 && s.fault < sensor.NumFaults
	}
	*last += unzigzag(v - faultRoom)
	high := *last
	if several {
		spread := d.uvarint()
		s.highFirst = spread&1 == 1
		if spread > 0 {
			s.step = d.byte()
		}
		if spread>>1 > math.MaxUint32 {
			return false
		}
		high += int64(spread >> 1)
	}
	if *last < math.MinInt32 || high > math.MaxInt32 {
		return false
	}
	s.low, s.high = sensor.Temp(*last), sensor.Temp(high)
	return true
}

// unthin gives a thinned block as sweeps, the offset of each from the block's first, and how many it stands
// for.
func unthin(b []byte) (sweeps []sensor.Sweep, offsets []int, count int, err error) {
	rows, err := decodeThin(b)
	if err != nil {
		return nil, nil, 0, err
	}
	for i := range rows {
		r := &rows[i]
		sweeps = r.appendSweeps(sweeps)
		for _, at := range r.places() {
			offsets = append(offsets, count+at)
		}
		count += r.count
	}
	return slices.Clip(sweeps), offsets, count, nil
}
