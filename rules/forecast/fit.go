package forecast

import "math"

// curve is a parabola through the last minutes of a track, in °C and minutes from the middle of the last minute:
// at = level + rate·s + bend·s²/2, with the covariance of the three.
type curve struct {
	P     [3]float64    // level, rate, bend
	Cov   [3][3]float64 // symmetric
	Sigma float64       // spread of a minute about the curve, °C
	N     int64         // minutes in it
}

// leastSigma is the least spread believed of a minute's mean in °C: a coarse chip repeats itself without being that
// good.
const leastSigma = 0.02

// fit lays a parabola, or a straight line where terms is 2, through the last n minutes by least squares. Minutes that
// lie more than 2.5 spreads off weigh less (Huber's weights), those more than 6 off nothing.
// Neighbouring residuals that resemble each other (steps of a coarse chip, a swing, a wrong shape) say that there is
// less to be known than their number promises, and widen the covariance.
func (y *series) fit(n int64, terms int) (c curve, ok bool) {
	var r series
	scale := math.Inf(1)
	for range 2 {
		var m [3][3]float64
		var v [3]float64
		c.N = 0
		for i := range n {
			w := 1.0
			if math.Abs(r[i]) > float64(2.5*scale) {
				w = weight(r[i], scale)
			}
			if t := y[i]; t == t && w > 0 {
				c.N++
				s := -float64(i)
				h := float64(s*s) / 2
				ws, wh, wt := float64(w*s), float64(w*h), float64(w*t)
				m[0][0] += w
				m[0][1] += ws
				m[0][2] += wh
				m[1][1] += float64(ws * s)
				m[1][2] += float64(ws * h)
				m[2][2] += float64(wh * h)
				v[0] += wt
				v[1] += float64(wt * s)
				v[2] += float64(wt * h)
			}
		}
		if terms == 2 { // nothing is known of a bend, and none is asked for
			m[0][2], m[1][2], m[2][2], v[2] = 0, 0, 1, 0
		}
		if c.N < 3+n/2 {
			return curve{}, false
		}
		if c.Cov, ok = invert(m); !ok {
			return curve{}, false
		}
		for i := range c.P {
			c.P[i] = dot(c.Cov[i], v)
		}
		mean, most := y.residuals(n, &c, &r)
		scale = max(1.2533*mean, leastSigma) // mean absolute to standard deviation of a normal distribution
		if most <= float64(2.5*scale) {
			break
		}
	}
	c.spread(&r, n, scale, terms)
	return c, true
}

// weight is how much a minute counts.
func weight(residual, scale float64) float64 {
	switch off := math.Abs(residual) / scale; {
	case off > 6:
		return 0
	case off > 2.5:
		return 2.5 / off
	default:
		return 1
	}
}

// residuals fills in how far each minute lies off the curve, zero for one without reading, and gives the mean and the
// largest of their amounts.
func (y *series) residuals(n int64, c *curve, r *series) (mean, most float64) {
	count := 0
	for i := range n {
		r[i] = 0
		if t := y[i]; t == t {
			s := float64(i)
			r[i] = t - (c.P[0] - float64(s*(c.P[1]-float64(s*c.P[2]/2))))
			off := math.Abs(r[i])
			mean += off
			most = max(most, off)
			count++
		}
	}
	return mean / float64(count), most
}

// spread turns the inverse of the normal equations into a covariance.
func (c *curve) spread(r *series, n int64, scale float64, terms int) {
	var square, pair, before float64
	for i := range n {
		near := clip(r[i], 2.5*scale)
		if math.Abs(r[i]) <= float64(6*scale) {
			square += math.Abs(float64(r[i] * near)) // weighted: near is the residual times its weight
		}
		pair += float64(near * before)
		before = near
	}
	alike := 0.0
	if square > 0 {
		alike = min(max(pair/square, 0), 0.8)
	}
	v := max(square/float64(c.N-int64(terms)), float64(leastSigma*leastSigma))
	c.Sigma = math.Sqrt(v)
	v *= (1 + alike) / (1 - alike)
	for i := range c.Cov {
		for j := range c.Cov[i] {
			c.Cov[i][j] *= v
		}
	}
	if terms == 2 {
		c.Cov[2][2] = 0
	}
}

func clip(x, to float64) float64 { return min(max(x, -to), to) }

// observe takes in that bend + decay·rate is zero but for a standard deviation sd (a Kalman update by one scalar).
func (c *curve) observe(decay, sd float64) {
	h := [3]float64{0, decay, 1}
	ch := [3]float64{dot(c.Cov[0], h), dot(c.Cov[1], h), dot(c.Cov[2], h)}
	off := dot(c.P, h)
	v := dot(ch, h) + float64(sd*sd)
	for i := range c.P {
		c.P[i] -= ch[i] * off / v
		for j := range c.Cov[i] {
			c.Cov[i][j] -= ch[i] * ch[j] / v
		}
	}
}

// clear is how many of its own standard deviations the rate is away from zero.
func (c *curve) clear() float64 { return math.Abs(c.P[1]) / math.Sqrt(c.Cov[1][1]) }

// agrees reports whether the rate is the one of b within two of b's standard deviations.
func (c *curve) agrees(b *curve) bool { return math.Abs(c.P[1]-b.P[1]) <= 2*math.Sqrt(b.Cov[1][1]) }

func dot(a, b [3]float64) float64 {
	return float64(a[0]*b[0]) + float64(a[1]*b[1]) + float64(a[2]*b[2])
}

// invert inverts a symmetric matrix given by its upper half, by cofactors.
func invert(m [3][3]float64) (inv [3][3]float64, ok bool) {
	a, b, c, d, e, f := m[0][0], m[0][1], m[0][2], m[1][1], m[1][2], m[2][2]
	p := float64(d*f) - float64(e*e)
	q := float64(c*e) - float64(b*f)
	r := float64(b*e) - float64(c*d)
	det := float64(a*p) + float64(b*q) + float64(c*r)
	if !(det > 0) {
		return inv, false
	}
	inv[0] = [3]float64{p / det, q / det, r / det}
	inv[1] = [3]float64{q / det, (float64(a*f) - float64(c*c)) / det, (float64(b*c) - float64(a*e)) / det}
	inv[2] = [3]float64{r / det, inv[1][2], (float64(a*d) - float64(b*b)) / det}
	return inv, true
}
