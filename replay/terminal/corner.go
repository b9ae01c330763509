package terminal

import (
	"fmt"
	"math"
	"strings"

	"ridewitness/safety"
)

// Below these rates a value is called steady: what is left of noise over two seconds.
const (
	steadyPressure = 0.02 // bar/s
	steadyHeight   = 0.5  // mm/s
)

// Where the plate of the bellows stands, over design height. A card says nothing of bump stops, so
// these are a picture and no claim.
const (
	drawnHanging = 40.0  // mm
	drawnStopped = -55.0 // mm
)

// fullBar is the pressure at which the drawn bellows is full.
const fullBar = 8.0

// corner draws one corner in a frame: bellows, pressure, height, what is known, age, and the last two
// minutes where there is room.
func (p *Picture) corner(s *State, i, x, y, w, h int, plots bool) {
	c := &s.Corners[i]
	danger := s.inDanger(c.Corner)
	p.frame(c, x, y, w, h, danger)
	if !c.OnAir {
		p.put(x+11, y+1, Plain, "no air spring")
		height, style := figure(&c.Height, "%.1f", "---.-")
		p.right(x+16, y+2, style, height)
		p.put(x+17, y+2, Plain, "mm")
		p.right(x+w-2, y+h-2, Dim, oldWord(c.ageWord()))
		return
	}
	p.bellows(c, x+2, y+1, h-2)
	if plots {
		p.words7(c, x+11, y+1)
		p.plots(s, i, x, y+1, w)
		return
	}
	p.words4(c, x, y+1, w)
}

func (p *Picture) frame(c *Corner, x, y, w, h int, danger bool) {
	corners, across, down, style := []rune("┌┐└┘"), '─', '│', Dim
	word := c.word()
	if danger {
		corners, across, down, style, word = []rune("┏┓┗┛"), '━', '┃', Alarm, "!! DANGER"
	}
	p.fill(x, x+w, y, style, across)
	p.fill(x, x+w, y+h-1, style, across)
	for k := y + 1; k < y+h-1; k++ {
		p.put(x, k, style, string(down))
		p.put(x+w-1, k, style, string(down))
	}
	for k, at := range [][2]int{{x, y}, {x + w - 1, y}, {x, y + h - 1}, {x + w - 1, y + h - 1}} {
		p.put(at[0], at[1], style, string(corners[k]))
	}
	name := strings.ToUpper(strings.ReplaceAll(c.Corner.String(), "-", " "))
	p.put(x+2, y, Bold, " "+name+" ")
	word = " " + word + " "
	wordStyle := Bold
	if danger {
		wordStyle = Alarm
	}
	p.put(x+w-2-cells(word), y, wordStyle, word)
}

// bellows draws the plate and, under it, the fill.
func (p *Picture) bellows(c *Corner, x, y, rows int) {
	top := c.plate(rows)
	plate := "━━━━━━━"
	if !c.Height.Fresh() {
		plate = "━ ━ ━ ━"
	}
	p.put(x, y+top, Body, plate)
	inside := rows - top - 1
	filled := int(math.Round(min(max(c.Pressure.Last.Value/fullBar, 0), 1) * float64(inside*8)))
	for k := 0; k < inside; k++ {
		left := filled - 8*(inside-1-k)
		fill := strings.Repeat(block(left), 5)
		style := Air
		if !c.Pressure.Fresh() {
			fill, style = "?????", Reverse
		}
		p.put(x, y+top+1+k, Plain, "(")
		p.put(x+1, y+top+1+k, style, fill)
		p.put(x+6, y+top+1+k, Plain, ")")
	}
}

// block returns a cell filled by eighths, 0 or less to 8 or more.
func block(eighths int) string {
	return string([]rune(" ▁▂▃▄▅▆▇█")[min(max(eighths, 0), 8)])
}

// plate returns the row of the plate: up while it hangs, lower near its level, lowest far below it.
func (c *Corner) plate(rows int) int {
	step := max(rows/4, 1)
	switch {
	case c.Height.Fresh() && c.OverDesignKnown && c.OverDesignMM < drawnStopped:
		return 2 * step
	case c.Height.Fresh() && c.OverDesignKnown && c.OverDesignMM < drawnHanging:
		return step
	case c.Height.Fresh() && c.OverDesignKnown:
		return 0
	case c.Phase == safety.Standing:
		return step
	default:
		return 0
	}
}

// valueWords returns a value with its unit and trend, or dashes and why.
func valueWords(s *safety.SignalState, form, dashes, unit, trend string) (figures string, style Style, rest string) {
	figures, style = figure(s, form, dashes)
	switch {
	case !s.Defined:
		rest = "no signal"
	case s.Contradicted:
		rest = "CONTRADICTED"
	case !s.Seen:
		rest = "not yet seen"
	case s.Invalid:
		rest = "INVALID " + age(s.Age)
	case s.Stale:
		rest = "STALE " + age(s.Age)
	default:
		rest = trend
	}
	return figures, style, unit + " " + rest
}

func (c *Corner) pressureTrend() string {
	if c.Squeezed {
		return "squeezed"
	}
	return trend(c.PressureRate, steadyPressure, "%.2f/s")
}

func (c *Corner) heightTrend() string { return trend(c.HeightRate, steadyHeight, "%.1f mm/s") }

func trend(r Rate, steady float64, form string) string {
	switch {
	case !r.Known:
		return ""
	case r.Value > steady:
		return "rises " + fmt.Sprintf(form, r.Value)
	case r.Value < -steady:
		return "falls " + fmt.Sprintf(form, -r.Value)
	default:
		return "steady"
	}
}

// note says what is known of a corner besides its values.
func (c *Corner) note() string {
	var parts []string
	if c.Pressure.Fresh() && c.Pressure.Last.Value < c.Least.Value {
		parts = append(parts, fmt.Sprintf("BELOW LEAST %.2f", c.Least.Value))
	}
	if c.LineOpen {
		parts = append(parts, "line open")
	}
	return strings.Join(parts, ", ")
}

// was says the last values of what is no longer fresh.
func (c *Corner) was() string {
	var parts []string
	if !c.Pressure.Fresh() && c.Pressure.Seen {
		parts = append(parts, fmt.Sprintf("was %.2f bar", c.Pressure.Last.Value))
	}
	if !c.Height.Fresh() && c.Height.Seen {
		parts = append(parts, fmt.Sprintf("was %.1f mm", c.Height.Last.Value))
	}
	if len(parts) == 2 {
		parts[1] = strings.TrimPrefix(parts[1], "was ")
	}
	return strings.Join(parts, ", ")
}

func oldWord(a string) string {
	if strings.HasSuffix(a, "never") || a == "-" {
		return ""
	}
	return a + " old"
}

// words4 writes the words beside a bellows of four rows.
func (p *Picture) words4(c *Corner, x, y, w int) {
	end := x + w - 2
	figures, style, rest := valueWords(&c.Pressure, "%.2f", "--.--", "bar", c.pressureTrend())
	p.right(x+16, y, style, figures)
	p.put(x+17, y, Plain, cut(rest, end-x-17))
	figures, style, rest = valueWords(&c.Height, "%.1f", "---.-", "mm ", c.heightTrend())
	p.right(x+16, y+1, style, figures)
	p.put(x+17, y+1, Plain, cut(rest, end-x-17))
	p.put(x+11, y+2, Bold, cut(c.note(), end-x-11))
	if was := c.was(); was != "" {
		p.right(end, y+3, Plain, cut(was, end-x-11))
		return
	}
	p.right(end, y+3, Dim, oldWord(c.ageWord()))
}

// words7 writes the words beside a bellows of seven rows.
func (p *Picture) words7(c *Corner, x, y int) {
	room := 17
	figures, style, rest := valueWords(&c.Pressure, "%.2f", "--.--", "bar", c.pressureTrend())
	unit, why, _ := strings.Cut(rest, " ")
	p.right(x+6, y, style, figures)
	p.put(x+7, y, Plain, unit)
	p.put(x+2, y+1, Plain, cut(strings.TrimSpace(why), room-2))
	if c.Least.Known {
		p.put(x+2, y+2, Dim, fmt.Sprintf("least %.2f", c.Least.Value))
	}
	figures, style, rest = valueWords(&c.Height, "%.1f", "---.-", "mm", c.heightTrend())
	unit, why, _ = strings.Cut(rest, " ")
	p.right(x+6, y+3, style, figures)
	p.put(x+7, y+3, Plain, unit)
	p.put(x+2, y+4, Plain, cut(strings.TrimSpace(why), room-2))
	note, _, _ := strings.Cut(c.note(), " "+fmt.Sprintf("%.2f", c.Least.Value))
	p.put(x+2, y+5, Bold, cut(note, room-2))
	if was := c.was(); was != "" {
		p.put(x+2, y+6, Plain, was)
		return
	}
	p.put(x+2, y+6, Dim, oldWord(c.ageWord()))
}

// plotIndent is where the plots of a corner begin, behind its words.
const plotIndent = 30

// plots draws the last two minutes of pressure and height, three rows each.
func (p *Picture) plots(s *State, i, x, y, w int) {
	c := &s.Corners[i]
	if c.History == nil {
		return
	}
	from := x + plotIndent
	columns := w - plotIndent - 1
	top := c.PressureTop()
	low, high := s.HeightAxis()
	p.axis(from, y, fmt.Sprintf("%.0f", top), "0")
	p.axis(from, y+3, fmt.Sprintf("%.0f", high), fmt.Sprintf("%.0f", low))
	now := secondOf(s.Now)
	for k := range columns {
		older := now - historySeconds + int64((k+1)*historySeconds/columns)
		since := now - historySeconds + int64(k*historySeconds/columns)
		p.bar(from+k, y, Air, c.History, since, older, 0, top, func(s spot) (float64, bool) { return s.pressure, s.hasP })
		p.bar(from+k, y+3, Body, c.History, since, older, low, high, func(s spot) (float64, bool) { return s.height, s.hasH })
	}
}

func (p *Picture) axis(x, y int, top, bottom string) {
	p.right(x-1, y, Dim, top)
	p.right(x-1, y+2, Dim, bottom)
}

// bar draws the last value of (since, to] as a bar of three rows; nothing known is a dot.
func (p *Picture) bar(x, y int, style Style, h *History, since, to int64, low, high float64, of func(spot) (float64, bool)) {
	for n := to; n > since; n-- {
		v, ok := of(h.at(n))
		if !ok {
			continue
		}
		filled := int(math.Round(min(max((v-low)/(high-low), 0), 1) * 24))
		for row := range 3 {
			p.put(x, y+row, style, block(filled-8*(2-row)))
		}
		return
	}
	p.put(x, y+2, Dim, "·")
}

// PressureTop returns the upper end of the corner's pressure axis in bar; the lower one is 0.
func (c *Corner) PressureTop() float64 {
	if c.Pressure.Seen && c.Pressure.Last.Value > fullBar {
		return 2 * fullBar
	}
	return fullBar
}

// HeightAxis returns the ends of the height axis in mm: 160 mm or more in steps of 20 around all that the
// last two minutes saw, the same for every corner.
func (s *State) HeightAxis() (low, high float64) {
	const step, least = 20.0, 160.0
	low, high = math.Inf(1), math.Inf(-1)
	for i := range s.Corners {
		h := s.Corners[i].History
		if h == nil {
			continue
		}
		for n := range h.spots {
			if h.spots[n].hasH {
				low, high = min(low, h.spots[n].height), max(high, h.spots[n].height)
			}
		}
	}
	if low > high {
		return 320, 480
	}
	high = math.Ceil((high+5)/step) * step
	return min(math.Floor((low-5)/step)*step, high-least), high
}
