package review

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

// The picture of a session: eight panels over one time axis, as SVG 1.1 that needs no style of its
// own but the page's classes.
//
//	stages   ===== lift == bleed rear-left ====
//	said       | lift-up      | line-open rear-left
//	corner   (1)--.      shapes of its findings, each with a leader to its place
//	pressure ~~~~~|~~~~  over
//	height   -----|----  the same for each corner, one scale for all four
//	time     00:00    10:00
//
// A line is drawn only between values that were measured without a gap between them; every column of
// the picture keeps the least and the greatest value that it covers.

// Sizes of the picture, in units of its view box.
const (
	plotWidth   = 860.0
	plotLeft    = 104.0
	plotRight   = 786.0
	laneHeight  = 18.0
	pressHeight = 72.0
	riseHeight  = 50.0
	letterWidth = 5.7 // about what a letter of the small text takes
)

// svg writes elements. Texts are cleaned and escaped; numbers have one decimal.
type svg struct{ b strings.Builder }

// add writes markup; each verb stands for a number or for a text that is escaped.
func (s *svg) add(format string, args ...any) {
	for i, a := range args {
		switch a := a.(type) {
		case float64:
			args[i] = coordinate(a)
		case string:
			args[i] = html.EscapeString(clean(a))
		}
	}
	fmt.Fprintf(&s.b, format, args...)
}

// coordinate writes v with one decimal, without what says nothing.
func coordinate(v float64) string {
	return unsignedZero(strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0"))
}

// scale maps values to heights of a panel.
type scale struct {
	low, high float64
	ticks     []float64
}

// y returns the distance from the panel's top for v in a panel of that height.
func (s scale) y(v, height float64) float64 {
	return height * (s.high - math.Max(s.low, math.Min(s.high, v))) / (s.high - s.low)
}

// scaleOver returns a scale over the values with ticks at steps of 1, 2 or 5 times a power of ten.
func scaleOver(low, high float64, ticks int) scale {
	if !finite(low) || !finite(high) {
		low, high = 0, 1
	}
	if high-low < 1e-6 {
		high = low + 1
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(ticks))))
	for _, k := range []float64{1, 2, 5, 10} {
		if (high-low)/(k*step) <= float64(ticks) {
			step *= k
			break
		}
	}
	s := scale{low: math.Floor(low/step) * step, high: math.Ceil(high/step) * step}
	for i := range ticks + 3 { // the ends may each add one
		if v := s.low + float64(i)*step; v <= s.high+step/2 {
			s.ticks = append(s.ticks, v)
		}
	}
	return s
}

// picture draws the session.
type picture struct {
	svg
	r     *Review
	s     sorted
	press scale
	rise  scale
	y     float64
	rings map[string][]ring // by signal
	drawn map[[2]int]bool   // rings that have their place: numbers of finding and evidence
	defs  svg               // the curves, each drawn in two panels
}

// ring is an evidence that has its place on a curve.
type ring struct {
	finding, evidence int // numbers from 1
	at                capture.Stamp
	value             float64
}

// drawPlot returns the picture as SVG markup, and which evidence has its ring in it.
func (r *Review) drawPlot(s sorted) (string, map[[2]int]bool) {
	p := &picture{r: r, s: s, rings: map[string][]ring{}, drawn: map[[2]int]bool{}}
	p.scales()
	p.gatherRings()
	body := p.body()
	p.add(`<svg id="plot" viewBox="0 0 %v %v" role="img" aria-labelledby="plot-title plot-desc" data-left="%v" data-right="%v" data-seconds="%v">`,
		plotWidth, p.y, plotLeft, plotRight, r.Record.End.Sub(r.Record.Start).Seconds())
	p.add(`<title id="plot-title">Pressure and height of the four corners over the session</title><desc id="plot-desc">%v</desc>`, r.plotWords())
	p.b.WriteString(`<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V7" class="hl"/></pattern>`)
	p.b.WriteString(p.defs.b.String() + "</defs>" + body)
	p.b.WriteString(`<path id="cursor" class="cu" d="M0 0" visibility="hidden"/></svg>`)
	return p.b.String(), p.drawn
}

// body draws everything below the title and leaves the height reached in p.y.
func (p *picture) body() string {
	p.stages()
	p.marks()
	p.vehicle()
	for _, c := range decode.Corners {
		p.corner(c)
	}
	p.axis()
	s := p.b.String()
	p.b.Reset()
	return s
}

// x returns the place of a time on the axis.
func (p *picture) x(at capture.Stamp) float64 {
	all := p.r.Record.End.Sub(p.r.Record.Start).Seconds()
	if all <= 0 {
		return plotLeft
	}
	share := at.Sub(p.r.Record.Start).Seconds() / all
	return plotLeft + (plotRight-plotLeft)*math.Max(0, math.Min(1, share))
}

// scales works out the two scales that all corners share. Zero of pressure is always in view.
func (p *picture) scales() {
	low, high := 0.0, 1.0
	least, greatest := math.Inf(1), math.Inf(-1)
	for _, c := range decode.Corners {
		k := &p.r.Corners[c]
		for _, point := range k.Pressure.Points {
			low, high = math.Min(low, point.Least), math.Max(high, point.Greatest)
		}
		for _, point := range k.Height.Points {
			least, greatest = math.Min(least, point.Least), math.Max(greatest, point.Greatest)
		}
		if k.Least != nil {
			high = math.Max(high, *k.Least)
		}
		if k.Series != nil {
			least, greatest = math.Min(least, *k.Series), math.Max(greatest, *k.Series)
		}
	}
	if low > -0.1 {
		low = 0
	}
	p.press = scaleOver(low, high, 4)
	if least > greatest {
		least, greatest = 0, 100
	}
	p.rise = scaleOver(least, math.Max(greatest, least+20), 3)
}

// gatherRings finds the evidence of broken findings that has its place on a curve.
func (p *picture) gatherRings() {
	for i, f := range p.s.Broken {
		for k := range f.Evidence {
			e := &f.Evidence[k]
			if e.Signal != "" && e.Value != nil {
				p.rings[e.Signal] = append(p.rings[e.Signal], ring{i + 1, k + 1, e.At0, *e.Value * plotUnits(e.Unit)})
			}
		}
	}
}

// plotUnits is the factor from a definition's unit to that of the plot.
func plotUnits(unit string) float64 {
	switch unit {
	case "kPa":
		return 0.01
	case "Pa":
		return 1e-5
	case "m":
		return 1000
	default:
		return 1
	}
}

// column is what one column of the picture shows of a signal.
type column struct {
	x         int
	low, high float64
	cut       bool // no line from the column before
}

// A bucket within one column gives it its extremes. One that spans several gives its first value to
// the first, its last to the last, and its extremes to the middle: where within it they lay is not
// known any more, and a fall below the least pressure must be seen all the same.

// columns thins a plot to the columns of the picture, keeping in each the least and the greatest.
func (p *picture) columns(points []PlotPoint) []column {
	var all []column
	put := func(at capture.Stamp, low, high float64, cut bool) {
		x := int(math.Round(p.x(at)))
		if n := len(all); n > 0 && all[n-1].x == x && !cut {
			c := &all[n-1]
			c.low, c.high = math.Min(c.low, low), math.Max(c.high, high)
			return
		}
		all = append(all, column{x, low, high, cut})
	}
	for _, q := range points {
		if int(math.Round(p.x(q.From))) == int(math.Round(p.x(q.To))) {
			put(q.From, q.Least, q.Greatest, q.Break)
			continue
		}
		put(q.From, q.First, q.First, q.Break)
		put(q.From+(q.To-q.From)/2, q.Least, q.Greatest, false)
		put(q.To, q.Last, q.Last, false)
	}
	return all
}

// Each column is a vertical stroke from the end that is nearer to the column before, so that the line
// goes on without crossing itself. A run of one point becomes a dot: a single value between two gaps
// was measured too, and a path without length draws nothing.

// path writes columns as the data of an SVG path, in a panel of that height with its top at 0.
func path(columns []column, s scale, height float64) string {
	var b strings.Builder
	last, x, moved := math.Inf(1), -1, false
	dot := func() {
		if moved {
			b.WriteString("h.01")
		}
	}
	for i, c := range columns {
		if c.cut || i == 0 {
			dot()
			b.WriteByte('M')
			moved = true
		} else {
			b.WriteByte('L')
			moved = false
		}
		first, then := s.y(c.low, height), s.y(c.high, height)
		if math.Abs(last-then) < math.Abs(last-first) {
			first, then = then, first
		}
		x = c.x
		fmt.Fprintf(&b, "%d %s", x, coordinate(first))
		if last = first; math.Abs(then-first) >= 0.1 {
			b.WriteString("V" + coordinate(then))
			last, moved = then, false
		}
	}
	dot()
	return b.String()
}

// level leaves out columns within a run of equal ones, which a straight line draws as well.
func level(columns []column, s scale, height float64) []column {
	same := func(a, b column) bool {
		return !b.cut && math.Abs(s.y(a.low, height)-s.y(b.low, height)) < 0.05 && math.Abs(s.y(a.high, height)-s.y(b.high, height)) < 0.05 &&
			s.y(a.low, height)-s.y(a.high, height) < 0.1
	}
	var out []column
	for i, c := range columns {
		if i > 0 && i+1 < len(columns) && same(columns[i-1], c) && same(c, columns[i+1]) {
			continue
		}
		out = append(out, c)
	}
	return out
}

// lane is one kind of stage, with a row for each set of corners that it was done at.
type lane struct {
	name string
	rows []*laneRow
}

type laneRow struct {
	corners string
	stages  []*Stage
}

// lanes sorts the stages into rows, in the order in which they first appear.
func (r *Review) lanes() []*lane {
	var lanes []*lane
	for i := range r.Stages {
		s := &r.Stages[i]
		k := slices.IndexFunc(lanes, func(l *lane) bool { return l.name == s.Stage })
		if k < 0 {
			k = len(lanes)
			lanes = append(lanes, &lane{name: s.Stage})
		}
		l, corners := lanes[k], joinCorners(s.Corners)
		k = slices.IndexFunc(l.rows, func(w *laneRow) bool { return w.corners == corners })
		if k < 0 {
			k = len(l.rows)
			l.rows = append(l.rows, &laneRow{corners: corners})
		}
		l.rows[k].stages = append(l.rows[k].stages, s)
	}
	return lanes
}

func (p *picture) stages() {
	for _, l := range p.r.lanes() {
		p.add(`<text class="s" x="0" y="%v">%v</text>`, p.y+13, l.name)
		for _, row := range l.rows {
			p.bars(row)
			p.y += laneHeight
		}
	}
	p.y += 4
}

// bars draws one row of stages, with the corners' names behind the last bar or before the first, where
// there is room; their title names them all the same.
func (p *picture) bars(row *laneRow) {
	first, last := plotRight, plotLeft
	for _, s := range row.stages {
		x0, x1 := p.x(s.From0), p.x(s.To0)
		first, last = math.Min(first, x0), math.Max(last, x1)
		class := "st"
		if s.From == "mark" {
			class = "st sm"
		}
		p.add(`<g class="%v"><title>%v %v, %v, from %v</title><rect x="%v" y="%v" width="%v" height="13"/></g>`, class, s.Stage, row.corners,
			p.r.span(s.From0, s.To0), s.From, x0, p.y+2.5, math.Max(1.5, x1-x0))
	}
	switch need := letterWidth*float64(len(row.corners)) + 6; {
	case last+need < plotWidth:
		p.add(`<text class="s" x="%v" y="%v">%v</text>`, last+5, p.y+13, row.corners)
	case first-need > plotLeft:
		p.add(`<text class="s e" x="%v" y="%v">%v</text>`, first-5, p.y+13, row.corners)
	}
}

// marks draws what was said: a stroke for each mark, and its words where there is room.
func (p *picture) marks() {
	const rows = 6
	if len(p.r.Record.Marks) == 0 {
		return
	}
	p.add(`<text class="s" x="0" y="%v">said (marks)</text>`, p.y+12)
	ends := [rows]float64{}
	used := 1
	for i := range p.r.Record.Marks {
		m := &p.r.Record.Marks[i]
		x, words := p.x(m.At), strings.Join(nonEmpty(m.Name, m.Corner, m.Value), " ")
		wide := letterWidth*float64(len(words)) + 9
		row := slices.IndexFunc(ends[:], func(end float64) bool { return end <= x })
		left, class, words0 := x, "s", x+3.5
		if x+wide > plotWidth {
			left, class, words0 = x-wide, "s e", x-3.5
			row = slices.IndexFunc(ends[:], func(end float64) bool { return end <= left })
		}
		named := row >= 0
		if !named {
			row = rows // below all words
		}
		y := p.y + 13*float64(row)
		p.add(`<g><title>%v</title><path class="mk" d="M%v %vv12"/>`, p.r.markWords(m), x, y+1)
		if named {
			p.add(`<text class="%v" x="%v" y="%v">%v</text>`, class, words0, y+11, words)
			ends[row] = math.Max(x, left+wide)
		}
		used = max(used, row+1)
		p.add(`</g>`)
	}
	p.y += 13*float64(used) + 6
}

// vehicle draws the shapes of findings that speak of an axle or of the whole vehicle.
func (p *picture) vehicle() {
	loud, quiet := p.shapesOf("")
	if len(loud)+len(quiet) == 0 {
		return
	}
	p.add(`<text class="n" x="0" y="%v">vehicle</text>`, p.y+15)
	p.shapes(loud, 0, 0)
	p.quiet(quiet)
	p.y += 4
}

// placed is a finding with its number and its place.
type placed struct {
	n int
	f *Finding
	x float64
}

// shapesOf returns the findings of a corner: those that are broken, and the quiet ones.
func (p *picture) shapesOf(corner string) (loud, quiet []placed) {
	for i, f := range p.s.All {
		if f.Corner != corner {
			continue
		}
		at := placed{i + 1, f, p.x(f.From0)}
		if f.Outcome == "broken" {
			loud = append(loud, at)
		} else {
			quiet = append(quiet, at)
		}
	}
	return loud, quiet
}

// spread moves the shapes apart so that each can be read, and keeps them on the picture.
func spread(shapes []placed, width float64) []float64 {
	slices.SortStableFunc(shapes, func(a, b placed) int { return cmp.Compare(a.x, b.x) })
	xs := make([]float64, len(shapes))
	for i := range shapes {
		xs[i] = shapes[i].x
		if i > 0 {
			xs[i] = math.Max(xs[i], xs[i-1]+width)
		}
	}
	edge := plotRight + width/2
	for i := len(xs) - 1; i >= 0; i-- {
		xs[i] = math.Min(xs[i], edge)
		edge = xs[i] - width
	}
	return xs
}

// shapes draws broken findings in a row of their own, with leaders down to the panels, whose top and
// height are given; without panels, without leaders.
func (p *picture) shapes(loud []placed, top, height float64) {
	const size = 22
	if len(loud) == 0 {
		return
	}
	for i, x := range spread(loud, size+3) {
		f := loud[i]
		if height > 0 {
			p.add(`<path class="ld" d="M%v %vL%v %vv%v"/>`, x, p.y+size, f.x, top, height)
		}
		p.add(`<a href="#f%d" id="p%d" class="sh"><title>%d %v, %v</title>`, f.n, f.n, f.n, f.f.Summary, p.r.span(f.f.From0, f.f.To0))
		p.glyph(f.f, f.n, x-size/2, p.y, size)
		p.b.WriteString(`</a>`)
	}
	p.y += size + 5
}

// quiet draws what held and what can't be told, small, in rows of their own.
func (p *picture) quiet(quiet []placed) {
	const size = 17
	if len(quiet) == 0 {
		return
	}
	for i, x := range spread(quiet, size+2) {
		f := quiet[i]
		p.add(`<a href="#f%d" id="p%d" class="sh"><title>%d %v %v</title>`, f.n, f.n, f.n, f.f.Summary, p.r.span(f.f.From0, f.f.To0))
		p.glyph(f.f, f.n, x-size/2, p.y, size)
		p.b.WriteString(`</a>`)
	}
	p.y += size + 4
}

// glyph draws the shape of a finding with its number, at that place and size.
func (p *picture) glyph(f *Finding, n int, x, y, size float64) {
	p.add(`<g transform="translate(%v %v) scale(%v)">`, x, y, svgScale(size))
	p.b.WriteString(shapeOf(f.Outcome, f.Severity))
	p.add(`<text class="%v" x="12" y="%v">%d</text></g>`, numberClass(f, n), numberBase(f), n)
}

// svgScale writes the factor from the 24 units of a shape to a size.
type svgScale float64

func (s svgScale) String() string { return strconv.FormatFloat(float64(s)/24, 'f', 3, 64) }

// shapeOf returns the shape of an outcome within 24 x 24 units. The shapes are ours: octagon,
// triangle, square, open circle, dashed diamond.
func shapeOf(outcome, severity string) string {
	switch {
	case outcome == "held":
		return `<circle class="g-held" cx="12" cy="12" r="10"/>`
	case outcome != "broken":
		return `<path class="g-tell" d="M12 .8 23.2 12 12 23.2 .8 12z"/>`
	case severity == "danger":
		return `<path class="g-danger" d="M7.3 1h9.4L23 7.3v9.4L16.7 23H7.3L1 16.7V7.3z"/>`
	case severity == "warning":
		return `<path class="g-warn" d="M12 1 23.5 22.5H.5z"/>`
	default:
		return `<rect class="g-advice" x="2" y="2" width="20" height="20"/>`
	}
}

// numberClass names how a shape's number is written: on its ground's colour, and smaller where the
// shape leaves less room.
func numberClass(f *Finding, n int) string {
	class := "gn"
	switch {
	case f.Outcome == "broken" && f.Severity == "danger":
		class = "gn gd"
	case f.Outcome == "broken" && f.Severity == "warning":
		class = "gn gw"
	case f.Outcome != "broken" && f.Outcome != "held":
		class = "gn gt"
	}
	if n > 99 {
		class += " gl"
	}
	return class
}

// numberBase is where a number stands in its shape: low in a triangle.
func numberBase(f *Finding) float64 {
	if f.Outcome == "broken" && f.Severity == "warning" {
		return 20
	}
	if f.Outcome != "broken" && f.Outcome != "held" {
		return 15.3
	}
	return 16.2
}

// corner draws a corner's name, its shapes, its pressure above its height.
func (p *picture) corner(c decode.Corner) {
	k := &p.r.Corners[c]
	p.y += 8
	p.add(`<text class="n" x="0" y="%v">%v</text>`, p.y+15, c.String())
	loud, quiet := p.shapesOf(c.String())
	start := p.y
	tall := pressHeight + 12 + riseHeight
	top := p.y + 6
	if len(loud) > 0 {
		top += 27
	}
	if len(quiet) > 0 {
		top += 21
	}
	for _, f := range loud {
		if w := p.x(f.f.To0) - f.x; w > 1 {
			p.add(`<rect class="%v" x="%v" y="%v" width="%v" height="%v"/>`, "sp "+f.f.Severity, f.x, top, w, tall)
		}
	}
	p.shapes(loud, top, tall)
	p.quiet(quiet)
	if p.y == start {
		p.y += 8
		top = p.y
	}
	p.y = top
	p.panel(c, "pressure", &k.Pressure, p.press, pressHeight)
	p.y += 12
	p.panel(c, "height", &k.Height, p.rise, riseHeight)
	p.y += 6
}

// panelID names a curve within the page.
func panelID(c decode.Corner, what string) string { return "c-" + c.String() + "-" + what }

// panel draws one signal of one corner.
func (p *picture) panel(c decode.Corner, what string, plot *Plot, s scale, height float64) {
	k := &p.r.Corners[c]
	unit := "bar gauge"
	if what == "height" {
		unit = "mm"
	}
	p.add(`<g class="%v" transform="translate(0 %v)" data-name="%v" data-unit="%v" data-line="%v" data-low="%v" data-high="%v" data-height="%v">`,
		"pa "+what, p.y, c.String()+" "+what, unit, panelID(c, what), svgNumber(s.low), svgNumber(s.high), height)
	p.add(`<text class="s q" x="0" y="%v">%v,</text><text class="s q" x="0" y="%v">%v</text>`, height/2-2, what, height/2+11, unit)
	for _, t := range s.ticks {
		p.add(`<path class="gr" d="M%v %vH%v"/><text class="s e" x="%v" y="%v">%v</text>`, plotLeft, s.y(t, height), plotRight, plotLeft-6, s.y(t, height)+4, minus(svgNumber(t).String()))
	}
	columns := p.columns(plot.Points)
	p.missing(k, what, columns, height)
	p.guides(c, what, s, height)
	if len(columns) > 0 {
		p.defs.add(`<path id="%v" d="%v"/>`, panelID(c, what), path(level(columns, s, height), s, height))
		p.other(c, what)
		p.add(`<use href="#%v" class="ln"/>`, panelID(c, what))
		p.ringsOn(plot.Signal, columns, s, height)
		p.atRight(plot, s, height)
	}
	p.add(`</g>`)
	p.y += height
}

// svgNumber writes a value of a scale.
type svgNumber float64

func (v svgNumber) String() string { return strconv.FormatFloat(float64(v), 'g', 5, 64) }

// other draws the other side of the axle behind, thin and dashed: the same curve, used again.
func (p *picture) other(c decode.Corner, what string) {
	o := p.r.Corners[c.Opposite()]
	plot := &o.Pressure
	if what == "height" {
		plot = &o.Height
	}
	if len(plot.Points) > 0 {
		p.add(`<use href="#%v" class="gh"/>`, panelID(c.Opposite(), what))
	}
}

// guides draws the least pressure, or the series height with its tolerance.
func (p *picture) guides(c decode.Corner, what string, s scale, height float64) {
	k := &p.r.Corners[c]
	switch {
	case what == "pressure" && k.Least != nil:
		y := s.y(*k.Least, height)
		p.add(`<path class="gu" d="M%v %vH%v"/><text class="s" x="%v" y="%v">least %v</text>`, plotLeft, y, plotRight, plotRight+9,
			y+4+p.apart(&k.Pressure, s, y, height), number(*k.Least, "bar"))
	case what == "height" && k.Series != nil:
		if tolerance := p.r.tolerance(c.String()); tolerance > 0 {
			top := s.y(*k.Series+tolerance, height)
			p.add(`<rect class="to" x="%v" y="%v" width="%v" height="%v"/>`, plotLeft, top, plotRight-plotLeft, s.y(*k.Series-tolerance, height)-top)
		}
		y := s.y(*k.Series, height)
		p.add(`<path class="gu" d="M%v %vH%v"/>`, plotLeft, y, plotRight)
	}
}

// apart returns how far a label at y must move so as not to lie over the last value.
func (p *picture) apart(plot *Plot, s scale, y, height float64) float64 {
	const line = 13.0
	last, known := p.r.atEnd(plot)
	if d := y - s.y(last, height); known && math.Abs(d) < line {
		return math.Copysign(line, d) - d
	}
	return 0
}

// tolerance returns the height tolerance that counted at a corner, 0 where none is known.
func (r *Review) tolerance(corner string) float64 {
	for i := range r.Limits {
		l := &r.Limits[i]
		if l.Name == "height_tolerance" && l.Value != nil && (l.Corner == corner || l.Corner == "") {
			return *l.Value
		}
	}
	return 0
}

// missing hatches where the signal has no value for longer than a few columns, and says so.
// What is missing is drawn: an empty stretch of a panel could be taken for a value on the ground line.
func (p *picture) missing(k *Corner, what string, columns []column, height float64) {
	if len(columns) == 0 {
		words := "no " + what + " signal"
		if what == "pressure" && k.Present && !k.OnAir {
			words = "not an air spring"
		}
		p.hatch(what, plotLeft, plotRight, height, words)
		return
	}
	const least = 4
	from := plotLeft
	for i, c := range columns {
		x := float64(c.x)
		if (c.cut || i == 0) && x-from >= least {
			p.hatch(what, from, x, height, "no value")
		}
		from = x
	}
	if plotRight-from >= least {
		p.hatch(what, from, plotRight, height, "no value")
	}
}

// hatch fills a stretch of a panel, with words in it where there is room.
func (p *picture) hatch(what string, from, to, height float64, words string) {
	for _, g := range p.r.Record.Gaps {
		if from >= p.x(g.From)-4 && to <= p.x(g.To)+4 {
			words = ""
			if what == "pressure" {
				words = "no frame for " + p.r.lengthOf(g)
			}
		}
	}
	p.add(`<rect class="ha" x="%v" y="0" width="%v" height="%v"/>`, from, to-from, height)
	if words != "" && to-from > letterWidth*float64(len(words))+8 {
		p.add(`<text class="s k m" x="%v" y="%v">%v</text>`, (from+to)/2, height/2+4, words)
	}
}

// lengthOf writes how long a gap is, as mm:ss or hh:mm:ss.
func (r *Review) lengthOf(g Gap) string {
	s := int64(g.To.Sub(g.From) / time.Second)
	if s >= 3600 {
		return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%02d:%02d", s/60, s%60)
}

// ringsOn draws the evidence of broken findings on the curve, each linked to its row.
func (p *picture) ringsOn(signal string, columns []column, s scale, height float64) {
	for _, g := range p.rings[signal] {
		x := p.x(g.at)
		c, ok := nearest(columns, x)
		if !ok {
			continue
		}
		p.drawn[[2]int{g.finding, g.evidence}] = true
		v := math.Max(c.low, math.Min(c.high, g.value))
		p.add(`<a href="#e%d-%d" id="g%d-%d"><title>evidence of finding %d, %v</title><circle class="ri" cx="%v" cy="%v" r="4.5"/></a>`,
			g.finding, g.evidence, g.finding, g.evidence, g.finding, p.r.fine(g.at), x, s.y(v, height))
	}
}

// A ring whose value was measured where the curve has none is left out: it would float in a gap.

// nearest returns the column closest to x, false where none lies within a few.
func nearest(columns []column, x float64) (column, bool) {
	const most = 4
	best, found := column{}, false
	for _, c := range columns {
		if d := math.Abs(float64(c.x) - x); d <= most && (!found || d < math.Abs(float64(best.x)-x)) {
			best, found = c, true
		}
	}
	return best, found
}

// atRight writes the last value at the right end, only where it still was news.
func (p *picture) atRight(plot *Plot, s scale, height float64) {
	last, known := p.r.atEnd(plot)
	if !known {
		return
	}
	unit := "mm"
	if plot.Unit != "mm" {
		unit = "bar"
	}
	p.add(`<text class="v" x="%v" y="%v">%v</text>`, plotRight+9, s.y(last, height)+4, minus(number(last, unit)))
}

// axis draws the time under the panels and marks lost frames, however short the loss.
// It is one axis for all panels, so that what happened at a corner stands above what happened at
// another at the same moment.
func (p *picture) axis() {
	p.y += 4
	all := p.r.Record.End.Sub(p.r.Record.Start)
	step := timeStep(all)
	p.add(`<text class="s" x="0" y="%v">time</text>`, p.y+16)
	for i := range time.Duration(mostTimes + 1) {
		at := i * step
		if at < 0 || at > all {
			break
		}
		x := p.x(p.r.Record.Start.Add(at))
		p.add(`<path class="tk" d="M%v %vv6"/><text class="s m" x="%v" y="%v">%v</text>`, x, p.y, x, p.y+18, p.r.clock(p.r.Record.Start.Add(at)))
	}
	p.add(`<path class="tk" d="M%v %vH%v"/>`, plotLeft, p.y, plotRight)
	for i := range p.r.Record.Losses {
		l := &p.r.Record.Losses[i]
		x := p.x(l.From)
		p.add(`<g class="lo"><title>%v: %v frames lost on %v</title><path d="M%v %vl4 7h-8z"/></g>`, p.r.span(l.From, l.To), strconv.FormatUint(l.Frames, 10), l.Bus, x, p.y)
	}
	p.y += 26
}

// mostTimes is how many steps of time the axis has at most.
const mostTimes = 8

// timeStep returns the distance of the axis' figures.
func timeStep(all time.Duration) time.Duration {
	for _, s := range []time.Duration{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200} {
		if all <= mostTimes*s*time.Second {
			return s * time.Second
		}
	}
	return max(24*time.Hour, (all / 8).Round(24*time.Hour))
}

// plotWords says in text what the picture shows.
func (r *Review) plotWords() string {
	var parts []string
	for _, c := range decode.Corners {
		k := &r.Corners[c]
		words := nonEmpty(r.courseWords(&k.Pressure, "pressure", "bar"), r.courseWords(&k.Height, "height", "mm"))
		if len(words) == 0 {
			words = []string{"no signal"}
		}
		parts = append(parts, c.String()+": "+strings.Join(words, "; ")+".")
	}
	if gaps := r.gapWords(); gaps != "" {
		parts = append(parts, sentence(gaps))
	}
	return strings.Join(parts, " ")
}

// courseWords says how a signal went.
func (r *Review) courseWords(plot *Plot, what, unit string) string {
	if len(plot.Points) == 0 {
		return ""
	}
	first, last := plot.Points[0], plot.Points[len(plot.Points)-1]
	least, greatest := first, first
	for _, q := range plot.Points {
		if q.Least < least.Least {
			least = q
		}
		if q.Greatest > greatest.Greatest {
			greatest = q
		}
	}
	return fmt.Sprintf("%s in %s first %s, least %s at %s, greatest %s at %s, last %s at %s", what, clean(plot.Unit), number(first.First, unit),
		number(least.Least, unit), r.clock(least.From), number(greatest.Greatest, unit), r.clock(greatest.From), number(last.Last, unit), r.clock(last.To))
}
