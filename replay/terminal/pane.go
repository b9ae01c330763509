package terminal

import (
	"fmt"

	"ridewitness/decode"
)

// pane draws what somebody asked for in the place of the corners, between two rows.
func (p *Picture) pane(s *State, y, to int) {
	to -= p.notice(s, y, to)
	switch s.Pane {
	case FrontPlots, RearPlots:
		p.plotPane(s, y, to)
	case ListPane:
		p.listPane(s, y, to)
	case HelpPane:
		p.helpPane(s, y, to)
	}
}

// plotRows is how many rows the plots of a corner take, their heading included.
const plotRows = 7

// plotPane draws the plots of an axle over the whole width, as far as there is room.
func (p *Picture) plotPane(s *State, y, to int) {
	first := 0
	if s.Pane == RearPlots {
		first = 2
	}
	for i := first; i < first+2; i++ {
		if y+plotRows > to {
			return
		}
		c := &s.Corners[i]
		p.put(0, y, Bold, cut(fmt.Sprintf("%s  %s  the last 2 minutes, bar gauge over mm; · is a gap", c.Corner, c.ageWord()), p.width))
		p.plots(s, i, 6-plotIndent, y+1, p.width-6+plotIndent)
		y += plotRows
	}
}

// listPane writes what happened, the last of it at the bottom.
func (p *Picture) listPane(s *State, y, to int) {
	quiet := *s
	quiet.Notice = ""
	p.events(&quiet, y, to)
}

// helpPane says what each key does.
func (p *Picture) helpPane(s *State, y, to int) {
	const indent = 7
	if s.Recording != nil && s.Recording.Page != "" {
		p.put(0, to-1, Plain, cut("page:  "+s.Recording.Page, p.width))
		to--
	}
	for _, k := range s.Keys {
		text := k.Long
		if text == "" {
			text = k.Does
		}
		for i, row := range wrap(text, p.width-indent, 0) {
			if y == to {
				return
			}
			if i == 0 {
				p.put(0, y, Bold, k.Name)
			}
			p.put(indent, y, Plain, row)
			y++
		}
	}
}

// CornerKeys are the keys that name a corner; they lie as the corners lie on the car.
var CornerKeys = map[byte]decode.Corner{'e': decode.FrontLeft, 'r': decode.FrontRight, 'd': decode.RearLeft, 'f': decode.RearRight}
