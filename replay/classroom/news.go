package classroom

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

// What pages are told. A field that must not be known yet is left out here, in one place per page;
// the pages have nothing to hide.

// question is a question as it may be shown in a phase.
type question struct {
	Text    string   `json:"text"`
	Choices []string `json:"choices"`
	// From the closing on, on the board only; for phones from the reveal on.
	Counts []int `json:"counts,omitempty"`
	// From the reveal on.
	Right  int    `json:"right,omitempty"` // from 1
	Reason string `json:"reason,omitempty"`
}

func questionOf(b *bound) *question {
	q := &question{Text: b.Question}
	for _, c := range b.Choices {
		q.Choices = append(q.Choices, c.Text)
	}
	return q
}

// reveal adds what is told at the reveal.
func (q *question) reveal(b *bound, counts []int) {
	q.Counts, q.Right, q.Reason = counts, b.Answer+1, b.Reason
}

// boardNews is what the projector page shows.
type boardNews struct {
	T        int64     `json:"t"` // ms since the room opened: how old the news is
	Step     uint64    `json:"step"`
	Phase    string    `json:"phase"`
	Playing  bool      `json:"playing"`
	Over     bool      `json:"over"`
	Speed    string    `json:"speed"`
	Clock    string    `json:"clock"`
	From     string    `json:"from"` // left end of the plots
	Stage    string    `json:"stage"`
	Stop     int       `json:"stop"` // the one at hand or the next, from 1; 0: none is left
	Stops    int       `json:"stops"`
	Join     bool      `json:"join"`
	Joined   int       `json:"joined"`
	Answered int       `json:"answered"`
	Strip    []strip   `json:"strip"`
	Axis     axis      `json:"axis"`
	Corners  []view    `json:"corners"`
	Asked    *question `json:"asked,omitempty"`
}

// strip is a stage on the strip of the session so far, in thousandths of its length.
type strip struct {
	Name  string `json:"name"`
	Start int    `json:"start"`
	Width int    `json:"width"`
}

// axis are the ends of the two scales, the same in all corners.
type axis struct {
	PressureTop string `json:"pressureTop"` // bar gauge; the foot is 0
	HeightTop   string `json:"heightTop"`   // mm
	HeightFoot  string `json:"heightFoot"`
	pressure    float64
	foot, top   float64
}

// view is one corner: figures, bellows and plots, ready to be drawn. Paths are in a box of 1000
// by 100, the time from left to right.
type view struct {
	Corner   string `json:"corner"`
	Pressure string `json:"pressure"`
	Height   string `json:"height"`
	Note     string `json:"note"`  // age of what is missing
	Fill     int    `json:"fill"`  // thousandths; -1: unknown
	Plate    int    `json:"plate"` // thousandths of the height axis; -1: unknown
	Least    int    `json:"least"` // thousandths; -1: unknown
	P        string `json:"p"`
	H        string `json:"h"`
	// EventFrom and EventTo are what the reveal marks, in the box; absent before.
	Event []int `json:"event,omitempty"`
}

// seatNews is what one phone shows.
type seatNews struct {
	T     int64     `json:"t"`
	Phase string    `json:"phase"` // playing, open, closed, revealed
	Clock string    `json:"clock"`
	Stop  int       `json:"stop"`
	Mine  int       `json:"mine"`
	Asked *question `json:"asked,omitempty"`
	Why   string    `json:"why,omitempty"` // why the seat's own choice is wrong
	Plot  *plotNews `json:"plot,omitempty"`
}

// plotNews is the plot of the moment in question.
type plotNews struct {
	Corner string `json:"corner"`
	From   string `json:"from"`
	To     string `json:"to"`
	Least  int    `json:"least"`
	P      string `json:"p"`
	H      string `json:"h"`
	Event  []int  `json:"event"`
	Axis   axis   `json:"axis"`
}

// board returns the news for the projector page.
func (r *Room) board() boardNews {
	r.mu.Lock()
	defer r.mu.Unlock()
	at := r.advance()
	c := r.Course
	from := max(at.Add(-r.Lesson.Window), c.Start)
	n := boardNews{
		T: r.elapsed(), Step: r.step, Phase: r.phase.String(), Playing: !r.clock.Paused(), Over: at >= c.End,
		Speed: fmt.Sprintf("%g\u00d7", speeds[r.clock.speed]), Clock: sessionTime(at.Sub(c.Start)),
		From: sessionTime(from.Sub(c.Start)), Stage: c.stage(at), Stops: len(r.stops), Join: r.joining,
		Strip: c.strip(at), Axis: c.axis(at), Corners: []view{},
	}
	n.Joined, n.Answered = r.seats.joined()
	if r.next < len(r.stops) {
		n.Stop = r.next + 1
	}
	shown := decode.Corners[:]
	b := r.asked()
	if b != nil && r.phase != Due {
		shown = b.Corners
		n.Asked = questionOf(b)
		switch r.phase {
		case Closed:
			n.Asked.Counts = r.counts(b)
		case Revealed:
			n.Stop = r.next
			n.Asked.reveal(b, r.counts(b))
		}
	}
	for _, id := range shown {
		v := c.view(id, from, at, n.Axis)
		if r.phase == Revealed && b.At.Corner == id {
			v.Event = box(b.eventFrom, b.eventTo, from, at)
		}
		n.Corners = append(n.Corners, v)
	}
	return n
}

// elapsed returns the milliseconds since the room was opened.
func (r *Room) elapsed() int64 { return time.Since(r.begun).Milliseconds() }

func (r *Room) counts(b *bound) []int {
	return append([]int(nil), r.seats.counts[:len(b.Choices)]...)
}

// seat returns the news for one phone.
func (r *Room) seat(token string) (seatNews, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.seats.byToken[token]
	if s == nil {
		return seatNews{}, ErrNoSeat
	}
	at := r.advance()
	s.seen = time.Now()
	n := seatNews{T: r.elapsed(), Phase: Playing.String(), Clock: sessionTime(at.Sub(r.Course.Start))}
	b := r.asked()
	if b == nil || r.phase == Due {
		return n, nil
	}
	n.Phase, n.Mine, n.Stop, n.Asked = r.phase.String(), s.choice, r.next+1, questionOf(b)
	if r.phase != Revealed {
		return n, nil
	}
	n.Stop = r.next
	n.Asked.reveal(b, r.counts(b))
	if s.choice > 0 {
		n.Why = b.Choices[s.choice-1].Wrong
	}
	n.Plot = r.plot(b)
	return n, nil
}

// How much of the session stands around a finding on a phone, after the reveal. Around other
// moments it is the window of the lesson.
const (
	plotBefore = 25 * time.Second
	plotAfter  = 35 * time.Second
)

// plot returns the plot of a revealed question. It ends at the horizon, so it never tells what the
// next question asks.
func (r *Room) plot(b *bound) *plotNews {
	c := r.Course
	id := b.At.Corner
	if id == decode.NoCorner {
		id = b.Corners[len(b.Corners)-1]
	}
	before := r.Lesson.Window
	if b.At.Finding != "" {
		before = min(plotBefore, before)
	}
	from, to := max(b.at.Add(-before), c.Start), min(b.at.Add(plotAfter), r.horizon())
	a := c.axis(to)
	v := c.view(id, from, to, a)
	return &plotNews{Corner: spoken(id), From: sessionTime(from.Sub(c.Start)), To: sessionTime(to.Sub(c.Start)),
		Least: v.Least, P: v.P, H: v.H, Event: box(b.eventFrom, b.eventTo, from, to), Axis: a}
}

// spoken writes a corner's name for a headline.
func spoken(id decode.Corner) string { return strings.ReplaceAll(id.String(), "-", " ") }

// box returns a stretch in thousandths of a window, at least a sliver wide; nil outside of it.
func box(from, to, left, right capture.Stamp) []int {
	if to < left || from > right {
		return nil
	}
	a, z := thousandth(from, left, right), thousandth(to, left, right)
	return []int{a, max(z, min(a+6, 1000))}
}

// thousandth returns where a time lies in a window, cut to it.
func thousandth(at, left, right capture.Stamp) int {
	if right <= left {
		return 0
	}
	return int(min(max(float64(at-left)/float64(right-left), 0), 1) * 1000)
}

// strip returns the stages so far; one that has not ended reaches to now. Stages of a kind that
// follow one another are one stretch: six bleeds in a row are read as "bleed" from afar.
func (c *Course) strip(at capture.Stamp) []strip {
	all, from, to := []strip{}, capture.Stamp(0), capture.Stamp(0)
	for _, s := range c.Stages {
		if s.Start > at {
			continue
		}
		n := len(all)
		if n == 0 || all[n-1].Name != s.Name {
			all = append(all, strip{Name: s.Name})
			from, to, n = s.Start, s.End, n+1
		}
		to = min(max(to, s.End), at)
		a := thousandth(from, c.Start, at)
		all[n-1].Start, all[n-1].Width = a, max(thousandth(to, c.Start, at)-a, 3)
	}
	return all
}

// Steps of the axes: round figures that grow with what has been seen, so that an axis tells nothing
// of what is still to come.
const (
	pressureStep  = 2.0  // bar
	leastPressure = 4.0  // bar, top of the axis
	heightStep    = 20.0 // mm
	leastSpan     = 100.0
)

// axis returns the scales for what has been seen up to a time.
func (c *Course) axis(at capture.Stamp) axis {
	a := axis{pressure: leastPressure}
	low, high := math.Inf(1), math.Inf(-1)
	for _, id := range decode.Corners {
		n := &c.corners[id]
		if i := n.pressure.upTo(at); i > 0 {
			a.pressure = max(a.pressure, math.Ceil(n.pressure.greatest[i-1]/pressureStep)*pressureStep)
		}
		if i := n.height.upTo(at); i > 0 {
			low, high = min(low, n.height.least[i-1]), max(high, n.height.greatest[i-1])
		}
	}
	if low > high {
		low, high = 0, 0
	}
	a.foot, a.top = math.Floor(low/heightStep)*heightStep, math.Ceil(high/heightStep)*heightStep
	if a.top-a.foot < leastSpan {
		middle := math.Round((a.top+a.foot)/2/heightStep) * heightStep
		a.foot, a.top = middle-3*heightStep, middle+3*heightStep
	}
	a.PressureTop, a.HeightFoot, a.HeightTop = fmt.Sprintf("%.0f", a.pressure), fmt.Sprintf("%.0f", a.foot), fmt.Sprintf("%.0f", a.top)
	return a
}

// view returns a corner at a time, with its plots from `from` on.
func (c *Course) view(id decode.Corner, from, at capture.Stamp, a axis) view {
	n := &c.corners[id]
	v := view{Corner: id.String(), Fill: -1, Plate: -1, Least: -1}
	p, h := n.pressure.read(at), n.height.read(at)
	v.Pressure, v.Height = figure(p, "%.2f"), figure(h, "%.0f")
	if p.valid {
		v.Fill = share(p.value, 0, a.pressure)
	}
	if h.valid {
		v.Plate = share(h.value, a.foot, a.top)
	}
	if n.onAir && n.least > 0 {
		v.Least = share(n.least, 0, a.pressure)
	}
	v.Note = missing(p, h)
	v.P = n.pressure.path(from, at, 0, a.pressure)
	v.H = n.height.path(from, at, a.foot, a.top)
	return v
}

// figure writes a value, dashes where there is none now.
func figure(r reading, form string) string {
	if !r.valid {
		return "\u2013\u2013"
	}
	return strings.Replace(fmt.Sprintf(form, r.value), "-", "\u2212", 1)
}

// missing says in words which value is not there now, and how long not.
func missing(p, h reading) string {
	say := func(what string, r reading) string {
		if !r.heard {
			return what + " not heard"
		}
		return "no " + what + " for " + sessionTime(r.age)
	}
	switch {
	case p.valid && h.valid:
		return ""
	case !p.valid && !h.valid && !p.heard && !h.heard:
		return "nothing heard"
	case !p.valid && !h.valid && p.heard && h.heard:
		return "no news for " + sessionTime(min(p.age, h.age))
	case !p.valid:
		return say("pressure", p)
	default:
		return say("height", h)
	}
}

// share returns where a value lies between two ends, in thousandths, cut to them.
func share(v, low, high float64) int {
	return int(math.Round(min(max((v-low)/(high-low), 0), 1) * 1000))
}

// columns is how finely a plot is drawn: more than a projector's pixels for it would be wasted.
const columns = 180

// path draws a track between two times into a box of 1000 by 100 as an SVG path. Each column keeps
// its least and its greatest value; the line breaks where values are missing, so none is drawn
// where nothing is known.
func (t *track) path(from, to capture.Stamp, low, high float64) string {
	if to <= from || high <= low {
		return ""
	}
	first, end := t.upTo(from-1), t.upTo(to)
	var pen pen
	var last capture.Stamp
	for i := first; i < end; i++ {
		p := t.points[i]
		if !p.valid || last != 0 && p.at.Sub(last) > t.stale {
			pen.lift()
		}
		if p.valid {
			x := float64(p.at-from) / float64(to-from)
			pen.to(int(x*columns), 100*(1-min(max((p.value-low)/(high-low), 0), 1)))
		}
		last = p.at
	}
	pen.flush()
	return string(pen.out)
}

// pen draws columns: of the points that fall into one, the first, the least, the greatest and the
// last are kept.
type pen struct {
	out                      []byte
	column                   int
	first, low, high, latest float64
	pending, down            bool
}

func (p *pen) to(column int, y float64) {
	if p.pending && column == p.column {
		p.low, p.high, p.latest = min(p.low, y), max(p.high, y), y
		return
	}
	p.flush()
	p.pending, p.column = true, column
	p.first, p.low, p.high, p.latest = y, y, y, y
}

// flush writes the column at hand.
func (p *pen) flush() {
	if !p.pending {
		return
	}
	p.pending = false
	p.point(p.first)
	if p.low < p.first {
		p.point(p.low)
	}
	if p.high > p.first {
		p.point(p.high)
	}
	if p.latest != p.first && (p.low < p.first || p.high > p.first) {
		p.point(p.latest)
	}
}

func (p *pen) point(y float64) {
	command := byte('L')
	if !p.down {
		command, p.down = 'M', true
	}
	p.out = strconv.AppendInt(append(p.out, command), int64(p.column*1000/columns), 10)
	p.out = strconv.AppendFloat(append(p.out, ' '), y, 'f', 1, 64)
}

// lift ends the line.
func (p *pen) lift() {
	p.flush()
	p.down = false
}
