package review

import (
	"html/template"
	"math"
)

// Interval bars: a value with its interval on an axis, for leaks and for causes of sag.

const (
	barLeft  = 10.0
	barRight = 290.0
)

// span is the axis that the bars of a table share.
type span struct{ low, high float64 }

func (s span) x(v float64) float64 {
	v = math.Max(s.low, math.Min(s.high, v))
	return barLeft + (barRight-barLeft)*(v-s.low)/(s.high-s.low)
}

// over widens the axis by the values that are known.
func (s *span) over(values ...float64) {
	for _, v := range values {
		if finite(v) {
			s.low, s.high = math.Min(s.low, v), math.Max(s.high, v)
		}
	}
}

// padded leaves room at both ends.
func (s span) padded() span {
	room := math.Max((s.high-s.low)*0.06, 0.5)
	return span{s.low - room, s.high + room}
}

// leakScale returns the axis for all leaks; zero and every limit are in view.
func leakScale(leaks []Leak) span {
	var s span
	for i := range leaks {
		if l := &leaks[i]; l.RateANR != nil {
			s.over(l.RateANR.Value, l.RateANR.Low, l.RateANR.High)
		}
		if leaks[i].LimitANR != nil {
			s.over(*leaks[i].LimitANR)
		}
	}
	return s.padded()
}

// leakBar draws a leak with its interval and its limit; dashed where the interval crosses it.
func leakBar(l *Leak, axis span) template.HTML {
	s := &svg{}
	if l.RateANR == nil {
		return "no rate without a volume"
	}
	s.add(`<svg viewBox="0 0 300 44" role="img" aria-label="%v">`, number(l.RateANR.Value, "")+" ("+number(l.RateANR.Low, "")+" to "+number(l.RateANR.High, "")+") ml/min")
	s.zero(axis, 30)
	if l.LimitANR != nil {
		x := axis.x(*l.LimitANR)
		s.add(`<path d="M%v 4V30" stroke="var(--ink)" stroke-width="2"/><text class="s m" x="%v" y="42">limit %v</text>`, x, math.Max(26, math.Min(274, x)), svgNumber(*l.LimitANR))
	}
	s.interval(axis, 17, l.RateANR.Value, l.RateANR.Low, l.RateANR.High, l.Outcome == "cannot-tell")
	s.add(`</svg>`)
	return template.HTML(s.b.String())
}

// sagBars draws one bar a cause.
func sagBars(g *Sag) template.HTML {
	const row = 22.0
	var axis span
	for i := range g.Causes {
		axis.over(g.Causes[i].MM, g.Causes[i].LowMM, g.Causes[i].HighMM)
	}
	axis = axis.padded()
	s := &svg{}
	height := row*float64(len(g.Causes)) + 14
	s.add(`<svg viewBox="0 0 300 %v" role="img" aria-label="causes of %v mm">`, height, number(g.DropMM, "mm"))
	s.zero(axis, height-14)
	for i := range g.Causes {
		c := &g.Causes[i]
		y := row*float64(i) + 15
		s.interval(axis, y, c.MM, c.LowMM, c.HighMM, c.Cause == "unexplained")
		x, class := axis.x(c.HighMM)+6, "s"
		if x > 200 {
			x, class = axis.x(c.LowMM)-6, "s e"
		}
		s.add(`<text class="%v" x="%v" y="%v">%v</text>`, class, x, y+4, c.Cause)
	}
	s.add(`</svg>`)
	return template.HTML(s.b.String())
}

// zero draws where nothing is lost and nothing sinks.
func (s *svg) zero(axis span, height float64) {
	x := axis.x(0)
	s.add(`<path class="tk" d="M%v 2V%v"/><text class="s m" x="%v" y="%v">0</text>`, x, height, x, height+12)
}

// interval draws a bar with end caps and a dot, open and dashed where it decides nothing.
func (s *svg) interval(axis span, y, value, low, high float64, undecided bool) {
	dashes, fill := "", "var(--ink)"
	if undecided {
		dashes, fill = "4 3", "var(--paper)"
	}
	s.add(`<path d="M%v %vH%v" stroke="var(--ink)" stroke-width="2" stroke-dasharray="%v"/>`, axis.x(low), y, axis.x(high), dashes)
	s.add(`<path d="M%v %vv8M%v %vv8" stroke="var(--ink)" stroke-width="2"/>`, axis.x(low), y-4, axis.x(high), y-4)
	s.add(`<circle cx="%v" cy="%v" r="4.5" fill="%v" stroke="var(--ink)" stroke-width="2"/>`, axis.x(value), y, fill)
}
