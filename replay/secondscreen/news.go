package secondscreen

import (
	"math"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/replay/terminal"
)

// news is all that the page shows, ready to be drawn. Where a list says the same in ever fewer
// words, the page takes the first that fits.
type news struct {
	T int64 `json:"t"` // ms since the server began: how old the news is

	Ended string `json:"ended"` // when the recording was closed, in words; "" while it goes on

	Mode   string   `json:"mode"`
	Sight  string   `json:"sight"` // blind, part, watching
	State  string   `json:"state"` // in words
	Causes []string `json:"causes"`
	Proofs string   `json:"proofs"`

	Origin string `json:"origin"`
	Real   string `json:"real"` // what the origin means
	Label  string `json:"label"`
	Stage  string `json:"stage"`
	Clock  string `json:"clock"`
	Local  string `json:"local"`

	Buses   string `json:"buses"`
	Kept    string `json:"kept"`
	Lost    string `json:"lost"`
	Written string `json:"written"`
	Sound   string `json:"sound"`   // of the recording machine
	Trouble string `json:"trouble"` // why nothing is being written; "" while it is

	Band   band     `json:"band"`
	Alarm  int64    `json:"alarm"` // another number for each danger that lasts and is not silenced; 0: none
	Axis   axis     `json:"axis"`
	Corner []corner `json:"corners"`
	Events []event  `json:"events"` // newest first
}

type band struct {
	Kind    string     `json:"kind"`
	Sign    string     `json:"sign"`
	Layouts [][]string `json:"layouts"`
}

// axis are the ends of the height axis, the same in all corners, in mm.
type axis struct {
	Foot int `json:"foot"`
	Top  int `json:"top"`
}

// corner is one corner: words, bellows and plots. Lengths are thousandths, less than nothing where
// they are not known.
type corner struct {
	ID       string `json:"id"`
	Does     string `json:"does"`
	Danger   bool   `json:"danger"`
	Air      bool   `json:"air"`
	Pressure value  `json:"pressure"`
	Height   value  `json:"height"`
	Note     string `json:"note"`
	Was      string `json:"was"`
	Age      string `json:"age"`
	Fill     int    `json:"fill"`
	Plate    int    `json:"plate"`
	Least    int    `json:"least"`
	Top      int    `json:"top"` // of the pressure axis, bar gauge; its foot is 0
	P        plot   `json:"p"`
	H        plot   `json:"h"`
}

type value struct {
	Figures string `json:"figures"`
	Rest    string `json:"rest"`
	Missing bool   `json:"missing"`
}

type event struct {
	At   string `json:"at"`
	Word string `json:"word"`
	Text string `json:"text"`
}

// maxEvents is how many events the page is told.
const maxEvents = 3

// tell returns the news of a state, `after` the server began.
func tell(s *terminal.State, after time.Duration) news {
	w := s.Words()
	b := s.Band()
	n := news{T: after.Milliseconds(), Mode: w.Mode, Sight: sights[s.Sight], State: w.Sight, Causes: w.Causes, Proofs: w.Proofs,
		Origin: w.Origin, Real: meaning(w.Origin), Label: s.Label, Stage: w.Stage, Clock: w.Clock, Local: w.Local,
		Buses: w.Buses, Kept: w.Kept, Lost: w.Lost, Written: w.Written, Sound: w.Sound, Trouble: w.Trouble,
		Band: band{b.Kind.String(), b.Sign, b.Layouts}, Events: []event{}}
	if s.Sounding() {
		n.Alarm = alarmOf(s)
	}
	low, high := s.HeightAxis()
	n.Axis = axis{int(low), int(high)}
	for i := range s.Corners {
		n.Corner = append(n.Corner, cornerOf(s, i, low, high))
	}
	if s.Ended && w.Trouble == "" { // what could not be written was not closed as it should be
		n.Ended = closed(*s)
	}
	for i := len(s.Events) - 1; i >= 0 && len(n.Events) < maxEvents; i-- {
		e := &s.Events[i]
		n.Events = append(n.Events, event{s.When(e), e.Word, e.Text})
	}
	return n
}

// closed says when a recording ended.
func closed(s terminal.State) string {
	if s.End != 0 {
		s.Now = s.End
	}
	w := s.Words()
	if w.Local == "" {
		return "at a time that is not known"
	}
	return "at " + w.Clock + ", " + w.Local
}

var sights = [...]string{terminal.Blind: "blind", terminal.PartBlind: "part", terminal.Watching: "watching"}

// meaning says in words what an origin is.
func meaning(origin string) string {
	switch origin {
	case "VIRTUAL", "SIMULATED":
		return "not a vehicle"
	case "VEHICLE":
		return "a vehicle"
	default:
		return "may be a vehicle"
	}
}

// alarmOf numbers the dangers that last: a new one has another number.
func alarmOf(s *terminal.State) int64 {
	newest, n := capture.Stamp(0), int64(0)
	for i := range s.Dangers {
		if d := &s.Dangers[i]; d.Lasts() {
			newest = max(newest, d.Since)
			n++
		}
	}
	return max(newest.Sub(s.Start).Milliseconds(), 0)*64 + n
}

// drawnTravel is how far from design height the plate of the drawing goes, in mm: a picture and no
// claim, since a card says nothing of stops.
const drawnTravel = 90.0

func cornerOf(s *terminal.State, i int, low, high float64) corner {
	c, w := &s.Corners[i], s.CornerWords(i)
	top := c.PressureTop()
	n := corner{ID: decode.Corners[i].String(), Does: w.Does, Danger: w.Danger, Air: c.OnAir, Note: w.Note, Was: w.Was, Age: w.Age,
		Pressure: value(w.Pressure), Height: value(w.Height), Fill: -1, Plate: -1, Least: -1, Top: int(top)}
	n.Pressure.Figures, n.Height.Figures = minus(n.Pressure.Figures), minus(n.Height.Figures)
	if c.Pressure.Fresh() {
		n.Fill = share(c.Pressure.Last.Value, 0, top)
	}
	switch {
	case !c.Height.Fresh():
	case c.OverDesignKnown:
		n.Plate = share(c.OverDesignMM, -drawnTravel, drawnTravel)
	default:
		n.Plate = share(c.Height.Last.Value, low, high)
	}
	if c.Least.Known {
		n.Least = share(c.Least.Value, 0, top)
	}
	n.P = draw(s, i, decode.Pressure, 0, top)
	n.H = draw(s, i, decode.Height, low, high)
	return n
}

// minus writes a negative figure with the sign of a page; dashes stay dashes.
func minus(figures string) string {
	if rest, negative := strings.CutPrefix(figures, "-"); negative && !strings.HasPrefix(rest, "-") {
		return "\u2212" + rest
	}
	return figures
}

// share returns where a value lies between two ends, in thousandths, cut to them.
func share(v, low, high float64) int {
	return int(math.Round(min(max((v-low)/(high-low), 0), 1) * 1000))
}

// screen are the facts that the page is made of. Everything else comes by its stream.
type screen struct {
	Corners []pageCorner
	Caution string
}

type pageCorner struct{ ID, Name string }

func facts() screen {
	f := screen{Caution: terminal.CautionWide}
	for _, id := range decode.Corners {
		name := strings.ReplaceAll(id.String(), "-", " ")
		f.Corners = append(f.Corners, pageCorner{id.String(), strings.ToUpper(name[:1]) + name[1:]})
	}
	return f
}
