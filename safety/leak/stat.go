package leak

import (
	"math"
	"slices"
)

// point is one mean: a time in s since the window's start, and a value.
type point struct{ t, x float64 }

// line holds the sums of a straight line's least squares over means of one second.
type line struct{ n, t, x, tt, tx, xx float64 }

// add takes one mean into the sums.
func (l *line) add(p point) {
	l.n++
	l.t += p.t
	l.x += p.x
	l.tt += p.t * p.t
	l.tx += p.t * p.x
	l.xx += p.x * p.x
}

func (l *line) merge(o line) {
	l.n += o.n
	l.t += o.t
	l.x += o.x
	l.tt += o.tt
	l.tx += o.tx
	l.xx += o.xx
}

// squares returns the sum of squared distances from a + b t.
func (l line) squares(a, b float64) float64 {
	return l.xx - 2*a*l.x - 2*b*l.tx + a*a*l.n + 2*a*b*l.t + b*b*l.tt
}

// pairs holds the sums over neighbouring means that their correlation is worked out from.
type pairs struct{ n, t0, x0, t1, x1, t0t1, t0x1, x0t1, x0x1 float64 }

// add takes two neighbours, p before q.
func (s *pairs) add(p, q point) {
	s.n++
	s.t0 += p.t
	s.x0 += p.x
	s.t1 += q.t
	s.x1 += q.x
	s.t0t1 += p.t * q.t
	s.t0x1 += p.t * q.x
	s.x0t1 += p.x * q.t
	s.x0x1 += p.x * q.x
}

func (s *pairs) merge(o pairs) {
	s.n += o.n
	s.t0 += o.t0
	s.x0 += o.x0
	s.t1 += o.t1
	s.x1 += o.x1
	s.t0t1 += o.t0t1
	s.t0x1 += o.t0x1
	s.x0t1 += o.x0t1
	s.x0x1 += o.x0x1
}

// products returns the sum of (x0 - a - b t0)(x1 - a - b t1).
func (s pairs) products(a, b float64) float64 {
	return s.x0x1 - a*(s.x0+s.x1) - b*(s.x0t1+s.t0x1) + a*a*s.n + a*b*(s.t0+s.t1) + b*b*s.t0t1
}

// distinct counts different levels up to three; more are not asked for.
type distinct struct {
	level [3]float64
	n     int
}

// add takes a level. Raw values repeat to the last bit, so that == tells levels apart.
func (d *distinct) add(v float64) {
	if d.n < len(d.level) && !slices.Contains(d.level[:d.n], v) {
		d.level[d.n] = v
		d.n++
	}
}

// stat is what a sub-block keeps of one signal. Times count from the window's start, values from
// the signal's first one, so that small movements keep their digits.
type stat struct {
	n        int
	t, x     float64 // sums over all samples
	up, down int     // moves of the level, to the sample from the one before it
	levels   distinct
	seconds  line
	pairs    pairs
}

func (s *stat) merge(o *stat) {
	s.n += o.n
	s.t += o.t
	s.x += o.x
	s.up += o.up
	s.down += o.down
	for _, v := range o.levels.level[:o.levels.n] {
		s.levels.add(v)
	}
	s.seconds.merge(o.seconds)
	s.pairs.merge(o.pairs)
}

// dithered reports whether the noise itself carries the level across the sensor's steps: then the
// mean knows more than the step. Noise below a quarter of the step fails.
func (s *stat) dithered() bool {
	const moves, levels = 3, 3
	return s.up >= moves && s.down >= moves && s.levels.n >= levels
}

// mean returns mean time and mean value; they are no numbers where there are no samples.
func (s *stat) mean() point { return point{s.t / float64(s.n), s.x / float64(s.n)} }

// fit is a straight line through block means of equal weight.
type fit struct {
	slope, se float64
	at        point // its middle
}

// straight fits a line through the means. A spring that leaks through a hole of fixed size loses in
// proportion to its absolute pressure (choked flow), so that its pressure falls a little slower and
// slower; decay is slope^2/(absolute value) where that bend is expected, and taken off first.
func straight(means []point, decay float64) fit {
	n := float64(len(means))
	var f fit
	for _, p := range means {
		f.at.t += p.t / n
		f.at.x += p.x / n
	}
	bend := func(p point) float64 { return decay / 2 * square(p.t-f.at.t) }
	var tt, tx, meanBend float64
	for _, p := range means {
		meanBend += bend(p) / n
	}
	for _, p := range means {
		tt += square(p.t - f.at.t)
		tx += (p.t - f.at.t) * (p.x - bend(p) + meanBend - f.at.x)
	}
	if tt == 0 {
		return f
	}
	f.slope = tx / tt
	rest := 0.0
	for _, p := range means {
		rest += square(p.x - bend(p) + meanBend - f.at.x - f.slope*(p.t-f.at.t))
	}
	if n > 2 {
		f.se = math.Sqrt(rest / (n - 2) / tt)
	}
	return f
}

func square(v float64) float64 { return v * v }
