package secondscreen

import (
	"math"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// Invented states of an invented vehicle, one for each kind of picture. Times are seconds since the
// start of the session.
const start = capture.Stamp(1_772_442_840_000_000_000) // 2026-03-02 09:14 UTC

func at(seconds float64) capture.Stamp {
	return start.Add(time.Duration(seconds * float64(time.Second)))
}

func signal(now, value float64, age time.Duration) safety.SignalState {
	return safety.SignalState{Defined: true, Seen: true, Age: age, Last: safety.Reading{At: at(now).Add(-age), Value: value, Valid: true}}
}

func stale(s *safety.SignalState, age time.Duration) {
	s.Last.At = s.Last.At.Add(s.Age - age)
	s.Age, s.Stale = age, true
}

var least = safety.Threshold{Name: safety.LimitLeast, Value: 1, Unit: "bar", Known: true, From: "card"}

// history returns two minutes of a value each, with a gap from 70 to 60 s ago.
func history(now float64, pressure, height func(back float64) float64) *terminal.History {
	h := &terminal.History{}
	for back := 119.0; back >= 0; back-- {
		if back > 60 && back < 70 {
			continue
		}
		h.Add(safety.Reading{At: at(now - back), Value: pressure(back), Quantity: decode.Pressure})
		h.Add(safety.Reading{At: at(now - back), Value: height(back), Quantity: decode.Height})
	}
	return h
}

// watching is a vehicle that hangs, filled, on a lift.
func watching() *terminal.State {
	const now = 1870
	s := &terminal.State{Mode: terminal.Live, Origin: "simulated", Label: "demo wagon 7", Start: start, Now: at(now), Zone: time.FixedZone("", 3600),
		Sight: terminal.Watching, Fresh: 8, Signals: 8, Proven: 6, Assumed: 2, Frames: 687888, Lost: 118, LostKnown: true,
		Buses:     []terminal.Bus{{Name: "can0", Rate: 612}},
		Recording: &terminal.Recording{WrittenAgo: 400 * time.Millisecond, Sound: "sound heard 00:02:11"},
		Stage:     safety.StageNow{Name: "hanging", Since: at(now - 290)},
		Events: []terminal.Event{
			{At: at(1580), Word: "WARNING", Text: "rear-right: fill refused, 0x22"},
			{At: at(1640), Word: "mark", Text: "leak-check"},
			{At: at(1862), Word: "lost", Text: "118 frames in 0.19 s on can0"},
		}}
	for i, v := range [][2]float64{{5.49, 471}, {5.55, 470.3}, {3.38, 470.2}, {3.41, 470.8}} {
		s.Corners[i] = terminal.Corner{CornerView: safety.CornerView{Corner: decode.Corners[i], OnAir: true, Phase: safety.Hanging, Least: least,
			Pressure: signal(now, v[0], 100*time.Millisecond), Height: signal(now, v[1], 80*time.Millisecond),
			OverDesignMM: v[1] - 395, OverDesignKnown: true},
			PressureRate: terminal.Rate{Known: true}, HeightRate: terminal.Rate{Value: 0.1, Known: true},
			History: history(now, func(back float64) float64 { return v[0] + 0.02*math.Sin(back) }, func(float64) float64 { return v[1] })}
	}
	return s
}

// bled is the vehicle with an empty rear-right spring and the standing line.
func bled() *terminal.State {
	s := watching()
	c := &s.Corners[3]
	c.Pressure.Last.Value = 0.61
	c.History = history(1870, func(float64) float64 { return 0.61 }, func(float64) float64 { return 470.8 })
	s.Standing = []safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: c.Pressure, Least: c.Least,
		Bled: at(570), Fills: 1, Refused: at(1580), Code: 0x22}}
	return s
}

// fourStand is the vehicle with all four springs bled: the longest standing line there is.
func fourStand() *terminal.State {
	s := bled()
	s.Standing = nil
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Pressure.Last.Value, c.LineOpen = 0.2, i == 0
		s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.NotProven, Pressure: c.Pressure, Least: c.Least,
			Bled: at(570 + 10*float64(i)), Fills: 2, Refused: at(1580), Code: 0x22})
	}
	return s
}

// danger is the vehicle while it comes down on the empty spring.
func danger() *terminal.State {
	s := bled()
	s.Now = at(1874)
	s.Stage = safety.StageNow{Name: safety.StageLowering, Since: at(1860)}
	s.Events = append(s.Events, terminal.Event{At: at(1872), Word: "DANGER", Band: true,
		Text: "rear-right came down on an empty spring: 0.65 bar gauge before it began to close, least 1.00 bar gauge"})
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Closing, c.ClosedMM = true, 10.3
		c.HeightRate = terminal.Rate{Value: -1.6, Known: true}
		c.Height.Last.Value -= 10.3
		c.OverDesignMM -= 10.3
	}
	c := &s.Corners[3]
	c.Squeezed = true
	c.Pressure.Last.Value = 0.68
	c.Before = safety.Pressure0{Known: true, Fresh: true, Reading: safety.Reading{Value: 0.65, At: at(1872)}}
	c.History = history(1874, func(float64) float64 { return 0.65 }, func(back float64) float64 { return 470 - 10*math.Exp(-back/3) })
	s.Dangers = []terminal.Danger{{Rule: "lowered-without-pressure", Corner: decode.RearRight, Since: at(1872), Told: 100 * time.Millisecond,
		Head: "REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING.", Over: "rear-right came down on an empty spring.",
		Figures: "last 0.65 bar before it closed, least 1.00; closed 10.3 mm, 2 mm/s", Short: "last 0.65 bar, least 1.00; closed 10 mm"}}
	return s
}

// silenced is that danger, its sound silenced at the laptop.
func silenced() *terminal.State {
	s := danger()
	s.Recording.SilencedUntil = s.Now.Add(42 * time.Second)
	return s
}

// twoDangers is a second corner that comes down while the first one does.
func twoDangers() *terminal.State {
	s := danger()
	s.Dangers = append([]terminal.Danger{{Rule: "descent", Corner: decode.RearLeft, Since: at(1873),
		Head: "REAR-LEFT COMES DOWN, PRESSURE NOT PROVEN SINCE 00:09:30. STOP LOWERING.", Over: "rear-left came down, its pressure not proven.",
		Figures: "now 3.38 bar, least 1.00; closed 10.3 mm, 2 mm/s", Short: "now 3.38 bar, least 1.00; closed 10 mm"}}, s.Dangers...)
	return s
}

// over is the vehicle on its wheels after that.
func over() *terminal.State {
	s := danger()
	s.Now = at(1901)
	s.Stage = safety.StageNow{Name: "standing", Since: at(1891)}
	s.Dangers[0].Until, s.Dangers[0].Silenced, s.Dangers[0].Figures, s.Dangers[0].Short = at(1891), at(1879), "", ""
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Closing, c.Phase, c.HeightRate = false, safety.Standing, terminal.Rate{Known: true}
		c.Height.Last.Value = []float64{391.5, 391.1, 359.1, 331.2}[i]
		c.OverDesignMM = c.Height.Last.Value - 395
		c.Pressure.Last.Value = []float64{7.57, 7.65, 6.04, 2.02}[i]
	}
	s.Standing[0].Pressure, s.Standing[0].Squeezed = s.Corners[3].Pressure, true
	return s
}

// partBlind is the same vehicle, its rear-right pressure no longer heard.
func partBlind() *terminal.State {
	s := over()
	c := &s.Corners[3]
	stale(&c.Pressure, 4200*time.Millisecond)
	s.Sight, s.Fresh = terminal.PartBlind, 7
	s.Unseen = []terminal.Unseen{{Corner: decode.RearRight, Quantity: decode.Pressure, Age: 4200 * time.Millisecond}}
	s.Standing[0].Kind, s.Standing[0].Pressure = safety.Unseen, c.Pressure
	return s
}

// blind is a bus that fell silent while the rear springs were empty and their lines open.
func blind() *terminal.State {
	s := bled()
	const silent = 12*time.Minute + 26*time.Second
	s.Sight, s.Why, s.Fresh = terminal.Blind, "no frame on can0 12:26", 0
	s.Buses = []terminal.Bus{{Name: "can0", Silent: silent}}
	s.Recording.Sound, s.Stage, s.Lost, s.Standing = "SOUND NOT TESTED", safety.StageNow{}, 0, nil
	for i := range s.Corners {
		c := &s.Corners[i]
		stale(&c.Pressure, silent)
		stale(&c.Height, silent)
		c.History = &terminal.History{}
		if i >= 2 {
			c.LineOpen = true
			s.Standing = append(s.Standing, safety.StandingLine{Corner: c.Corner, Kind: safety.LineIsOpen, Line: at(630), Pressure: c.Pressure})
		}
	}
	s.Events = s.Events[:1]
	return s
}

// unknown is the first second of a recording of a vehicle.
func unknown() *terminal.State {
	s := watching()
	s.Now, s.Stage, s.Events, s.Origin, s.Label = at(1), safety.StageNow{}, nil, "vehicle", ""
	s.Sight, s.Fresh, s.LostKnown, s.Lost = terminal.PartBlind, 4, false, 0
	for i := range s.Corners {
		c := &s.Corners[i]
		c.Phase, c.Pressure, c.History = safety.PhaseUnknown, safety.SignalState{Defined: true, Stale: true}, &terminal.History{}
		s.Standing = append(s.Standing, safety.StandingLine{Corner: c.Corner, Kind: safety.NotYetSeen})
		s.Unseen = append(s.Unseen, terminal.Unseen{Corner: c.Corner, Quantity: decode.Pressure, Never: true})
	}
	return s
}

// steelFront is a vehicle with air springs at the rear axle only, and no card.
func steelFront() *terminal.State {
	s := watching()
	for i := range 2 {
		s.Corners[i].OnAir, s.Corners[i].Pressure, s.Corners[i].Least = false, safety.SignalState{}, safety.Threshold{}
	}
	for i := 2; i < 4; i++ {
		s.Corners[i].Least = safety.Threshold{}
		s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.NoLeastGiven})
	}
	s.Origin = "virtual"
	return s
}

// said is a vehicle of which somebody said that it is filled.
func said() *terminal.State {
	s := watching()
	s.Standing = []safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.SaidFilled, SaidBy: "K. Example", SaidAt: at(60)}}
	s.Origin = ""
	return s
}

// notWritten is that vehicle while a disk is full.
func notWritten() *terminal.State {
	s := bled()
	s.Recording.WrittenAgo, s.Recording.Trouble = 12*time.Second, "session.pcapng: no space left on device"
	return s
}

// closedAt is a recording that was closed, seconds after its start.
func closedAt(s *terminal.State, seconds float64) *terminal.State {
	s.Ended, s.End = true, at(seconds)
	return s
}

// states are all pictures that the tests look at.
var states = map[string]func() *terminal.State{
	"watching": watching, "bled": bled, "four-stand": fourStand, "danger": danger, "silenced": silenced, "not-written": notWritten, "two-dangers": twoDangers,
	"over": over, "part-blind": partBlind, "blind": blind, "unknown": unknown, "steel-front": steelFront, "said": said,
	"zero": func() *terminal.State { return &terminal.State{} },
}
