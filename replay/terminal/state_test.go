package terminal

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Invented states of an invented vehicle, one for each kind of picture. Times are seconds since the
// start of the session.
const start = capture.Stamp(1_772_442_840_000_000_000) // 2026-03-02 09:14 UTC

func at(seconds float64) capture.Stamp {
	return start.Add(time.Duration(seconds * float64(time.Second)))
}

// signal is a value that came `age` ago.
func signal(now float64, value float64, age time.Duration) safety.SignalState {
	return safety.SignalState{Defined: true, Seen: true, Age: age, Last: safety.Reading{At: at(now).Add(-age), Value: value, Valid: true}}
}

func stale(s safety.SignalState, age time.Duration) safety.SignalState {
	s.Last.At = s.Last.At.Add(s.Age - age)
	s.Age, s.Stale = age, true
	return s
}

// calm is a vehicle that hangs, filled, on a lift.
func calm(now float64) *State {
	s := &State{Mode: Live, Origin: "simulated", Label: "demo wagon 7", Speed: 1, Start: start, Now: at(now), Zone: time.FixedZone("", 3600),
		Sight: Watching, Fresh: 8, Signals: 8, Proven: 6, Assumed: 2, Frames: 687888, Lost: 118, LostKnown: true,
		Buses: []Bus{{Name: "can0", Rate: 612}}, Recording: &Recording{WrittenAgo: 400 * time.Millisecond, Sound: "sound heard 00:02:11"},
		Stage: safety.StageNow{Name: "hanging", Since: at(now - 290)}, Keys: LiveKeys,
		Events: []Event{
			{At: at(1580), Word: "WARNING", Text: "rear-right: fill refused, 0x22"},
			{At: at(1640), Word: "mark", Text: "leak-check"},
			{At: at(1862), Word: "lost", Text: "118 frames on can0"},
		}}
	least := safety.Threshold{Name: safety.LimitLeast, Value: 1, Unit: "bar", Known: true, From: "card"}
	for i, v := range [][2]float64{{5.49, 471}, {5.55, 470.3}, {3.38, 470.2}, {3.41, 470.8}} {
		s.Corners[i] = Corner{CornerView: safety.CornerView{Corner: decode.Corners[i], OnAir: true, Phase: safety.Hanging, Least: least,
			Pressure: signal(now, v[0], 100*time.Millisecond), Height: signal(now, v[1], 80*time.Millisecond),
			OverDesignMM: v[1] - 395, OverDesignKnown: true},
			PressureRate: Rate{0, true}, HeightRate: Rate{0.1, true}, History: &History{}}
		for back := historySeconds - 1; back >= 0; back-- {
			if back > 60 && back < 70 {
				continue // a gap
			}
			when := at(now - float64(back))
			s.Corners[i].History.Add(safety.Reading{At: when, Value: v[0], Quantity: decode.Pressure})
			s.Corners[i].History.Add(safety.Reading{At: when, Value: v[1], Quantity: decode.Height})
		}
	}
	return s
}

// bled is the vehicle with an empty rear-right spring and the standing line.
func bled(now float64) *State {
	s := calm(now)
	c := &s.Corners[3]
	c.Pressure = signal(now, 0.61, 100*time.Millisecond)
	s.Standing = []safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: c.Pressure, Least: c.Least,
		Bled: at(570), Fills: 1, Refused: at(1580), Code: 0x22}}
	return s
}

// comingDown is the vehicle while it comes down on that spring.
func comingDown() *State {
	s := bled(2014)
	s.Stage = safety.StageNow{Name: safety.StageLowering, Since: at(2000)}
	s.Events = append(s.Events, Event{At: at(2000), Word: "mark", Text: "going-down"},
		Event{At: at(2012), Word: "DANGER", Text: "rear-right came down on an empty spring: 0.65 bar gauge before it began to close, least 1.00 bar gauge", Band: true})
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Closing, c.ClosedMM = true, 10.3
		c.HeightRate = Rate{-1.6, true}
		c.Height = signal(2014, c.Height.Last.Value-10.3, 90*time.Millisecond)
		c.LeftMM, c.LeftKnown = c.Height.Last.Value-392, true
	}
	c := &s.Corners[3]
	c.Squeezed = true
	c.Pressure = signal(2014, 0.68, 100*time.Millisecond)
	c.Before = safety.Pressure0{Known: true, Fresh: true, Reading: safety.Reading{Value: 0.65, At: at(2012)}}
	s.Standing[0].Squeezed = true
	s.Dangers = []Danger{{Rule: "lowered-without-pressure", Corner: decode.RearRight, Since: at(2012),
		Head: "REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING.", Over: "rear-right came down on an empty spring."}}
	s.Dangers[0].Figures, s.Dangers[0].Short = figures(&s.Dangers[0], s)
	return s
}

// over is the vehicle on its wheels after that, its rear-right pressure no longer heard.
func over() *State {
	s := comingDown()
	s.Now = at(2061)
	s.Stage = safety.StageNow{Name: "standing", Since: at(2031)}
	s.Dangers[0].Until, s.Dangers[0].Figures, s.Dangers[0].Short = at(2031), "", ""
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Closing, c.Phase, c.HeightRate = false, safety.Standing, Rate{0, true}
		c.Height = signal(2061, []float64{391.5, 391.1, 359.1, 331.2}[i], 90*time.Millisecond)
		c.OverDesignMM = c.Height.Last.Value - 395
		c.Pressure = signal(2061, []float64{7.57, 7.65, 6.04, 2.02}[i], 100*time.Millisecond)
	}
	s.Standing[0].Pressure = s.Corners[3].Pressure
	return s
}

func partBlind() *State {
	s := over()
	c := &s.Corners[3]
	c.Pressure = stale(c.Pressure, 4200*time.Millisecond)
	s.Sight, s.Fresh = PartBlind, 7
	s.Unseen = []Unseen{{Corner: decode.RearRight, Quantity: decode.Pressure, Age: 4200 * time.Millisecond}}
	s.Standing[0].Kind, s.Standing[0].Pressure = safety.Unseen, c.Pressure
	return s
}

// blind is a bus that fell silent while both rear springs were empty and their lines open.
func blind() *State {
	s := bled(1368)
	silent := 12*time.Minute + 26*time.Second
	s.Sight, s.Why, s.Fresh = Blind, "no frame on can0 12:26", 0
	s.Buses = []Bus{{Name: "can0", Silent: silent}}
	s.Recording.Sound, s.Stage = "SOUND NOT TESTED", safety.StageNow{}
	s.Lost = 0
	s.Standing = nil
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Pressure, c.Height, c.History = stale(c.Pressure, silent), stale(c.Height, silent), &History{}
		s.Unseen = append(s.Unseen, Unseen{Corner: c.Corner, Quantity: decode.Pressure, Age: silent}, Unseen{Corner: c.Corner, Quantity: decode.Height, Age: silent})
	}
	for i := 2; i < 4; i++ {
		s.Corners[i].LineOpen = true
		s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.LineIsOpen, Line: at(630 + 22*float64(i-2)), Pressure: s.Corners[i].Pressure})
	}
	for i := range 2 {
		s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.Unseen, Pressure: s.Corners[i].Pressure})
	}
	s.Events = []Event{{At: at(622), Word: "blind", Text: "can0: no frame"}, {At: at(630), Word: "mark", Text: "line-open rear-left"}}
	return s
}

// replayed is the bled vehicle in a replay, and simulated one in a demonstration.
func replayed() *State {
	s := bled(1870)
	s.Mode, s.Origin, s.Speed, s.Recording, s.Zone = Replay, "vehicle", 4, nil, nil
	s.End, s.Keys, s.Notice = at(2400), ReplayKeys, "next stage: bleed rear-left"
	return s
}

func simulated() *State {
	s := replayed()
	s.Mode, s.Origin, s.Speed, s.Paused, s.Notice = Simulation, "simulated", 60, true, ""
	return s
}

// unknown is the first second of a recording.
func unknown() *State {
	s := calm(1)
	s.Events, s.Stage = nil, safety.StageNow{}
	s.Origin, s.Label = "vehicle", ""
	for i := range s.Corners {
		s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.NotYetSeen})
		s.Corners[i].Phase = safety.PhaseUnknown
		s.Corners[i].Pressure = safety.SignalState{Defined: true, Stale: true}
		s.Unseen = append(s.Unseen, Unseen{Corner: decode.Corners[i], Quantity: decode.Pressure, Never: true})
	}
	s.Sight, s.Fresh = PartBlind, 4
	return s
}

// twoDangers is a second corner that comes down while the first one does.
func twoDangers() *State {
	s := comingDown()
	s.Dangers = append([]Danger{{Corner: decode.RearLeft, Since: at(2013),
		Head: "REAR-LEFT COMES DOWN, PRESSURE NOT PROVEN SINCE 00:09:30. STOP LOWERING.", Over: "rear-left came down, its pressure not proven."}}, s.Dangers...)
	s.Dangers[0].Figures, s.Dangers[0].Short = figures(&s.Dangers[0], s)
	return s
}

// states are all pictures that the tests look at.
var states = map[string]func() *State{
	"watching":    func() *State { return calm(1870) },
	"bled":        func() *State { return bled(1870) },
	"danger":      comingDown,
	"two-dangers": twoDangers,
	"over":        over,
	"part-blind":  partBlind,
	"blind":       blind,
	"replayed":    replayed,
	"simulated":   simulated,
	"unknown":     unknown,
	"zero":        func() *State { return &State{} },
	"plots":       func() *State { s := comingDown(); s.Pane = RearPlots; return s },
	"list":        func() *State { s := over(); s.Pane = ListPane; return s },
	"help":        func() *State { s := bled(1870); s.Pane = HelpPane; return s },
	"going-down":  goingDown,
	"not-written": notWritten,
	"followed":    followed,
}

// goingDown is the answer to the key G over an empty spring.
func goingDown() *State {
	s := bled(1990)
	s.Notice, s.Loud = s.GoingDown()
	return s
}

// notWritten is a recording whose disk takes nothing.
func notWritten() *State {
	s := bled(1870)
	s.Recording = &Recording{WrittenAgo: 12 * time.Second, Sound: "SOUND NOT TESTED", Trouble: "session.pcapng: no space left on device"}
	return s
}

// followed is somebody else's recording between two of its files.
func followed() *State {
	s := bled(1870)
	s.Recording, s.Keys = nil, WatchKeys
	s.Watched, s.Sight, s.Why = "job.pcapng", Blind, "file ended, none goes on yet"
	return s
}
