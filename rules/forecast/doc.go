// Package forecast says from the recent readings of one probe when its temperature will reach a limit, how far off
// that may be, and that it does not know. It advises: no clock and no verdict rests on it.
//
// Food answers its surroundings roughly as a first-order system,
//
//	dT/dt = (air - T)/tau
//
// with time constants of 1 to 8 hours (food in still or moved air; computed from published conductivities of meat),
// behind a dead time of a tenth to a fifth of that. So the temperature of the near future is
//
//	T(s) = T + rate·(1 - exp(-decay·s))/decay
//
// where decay, the share of its rate that the food loses per unit of time, follows from the air as
// (rate - rate of the air)/(air - T): the food slows down towards an air that stays, goes on evenly with an air that
// falls as it does, and gathers speed behind an air that falls faster. Level, rate and curvature are fitted to minute
// means by weighted least squares; what the air says about the curvature enters as one more observation.
//
// Results are the same on every machine: the package has its own exponential and logarithm, of math it uses only
// what is exact or correctly rounded (Sqrt, Floor, Frexp, Ldexp, Abs), and no multiplication is left for a compiler
// to fuse with an addition.
package forecast
