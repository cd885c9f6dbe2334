package its90

import "math"

// cells is how finely a solver's table of starting points divides the voltage range.
const cells = 512

// solver turns voltages of one type into temperatures.
type solver struct {
	curve     *curve
	low, high float64            // mV that have exactly one temperature
	perMV     float64            // cells a millivolt
	start     [cells + 1]float64 // °C at equal steps of voltage from low to high
}

// solvers is computed once, when the program starts, in about a millisecond; nothing writes to it later.
var solvers = newSolvers()

func newSolvers() *[T + 1]solver {
	all := new([T + 1]solver)
	for t := B; t <= T; t++ {
		all[t].tabulate(&curves[t], t == B)
	}
	return all
}

// tabulate fills in the table. A folded curve is used only above the point where it is back at 0 mV.
func (s *solver) tabulate(c *curve, folded bool) {
	s.curve = c
	from := c.min
	if folded {
		from = s.refine(0, 30, 60) // type B: -0.002 mV at 30 °C, +0.006 mV at 60 °C
	}
	s.low, _ = c.at(from)
	if folded {
		s.low = math.SmallestNonzeroFloat64 // 0 mV itself has two temperatures
	}
	s.high, _ = c.at(c.max)
	s.perMV = cells / (s.high - s.low)
	s.start[0], s.start[cells] = from, c.max
	for i := 1; i < cells; i++ {
		s.start[i] = s.refine(s.low+float64(i)/s.perMV, s.start[i-1], c.max)
	}
}

// solve gives the temperature at a voltage between low and high.
func (s *solver) solve(mv float64) float64 {
	x := float64((mv - s.low) * s.perMV)
	i := min(int(x), cells-1)
	a, b := s.start[i], s.start[i+1]
	return s.newton(mv, a+float64((x-float64(i))*(b-a)), a, b)
}

// refine is newton from the middle.
func (s *solver) refine(mv, a, b float64) float64 { return s.newton(mv, (a+b)/2, a, b) }

// newton finds where the curve has the voltage mv between a and b, between which it rises, starting at t.
// A step that leaves the bracket is replaced by halving it. The error after a step is at most a quarter
// of the step's square (at the cold end of type K; a ten-thousandth elsewhere), so a step under 0.1 m°C is
// the last.
func (s *solver) newton(mv, t, a, b float64) float64 {
	for range 100 {
		v, slope := s.curve.at(t)
		if v < mv {
			a = t
		} else {
			b = t
		}
		step := (mv - v) / slope
		if !(t+step >= a && t+step <= b) {
			step = float64((a+b)/2) - t
		}
		t += step
		if step < 1e-4 && step > -1e-4 {
			break
		}
	}
	return t
}
