package review

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

// The reviews here are written by hand: invented sessions of an invented vehicle.

// began is when every one of them began.
var began = capture.StampOf(time.Date(2026, 3, 2, 9, 14, 0, 0, time.UTC))

// at returns the stamp that many seconds after the start.
func at(seconds float64) capture.Stamp {
	return began.Add(time.Duration(seconds * float64(time.Second)))
}

func clock(seconds float64) string { return at(seconds).String() }

func ptr[T any](v T) *T { return &v }

// bend is a corner of a hand-drawn curve: seconds and value.
type bend struct{ s, v float64 }

// curve joins the bends by straight lines, one point every two seconds with a little width, and
// leaves out what lies in the gap.
func curve(signal, unit string, gapFrom, gapTo float64, bends ...bend) Plot {
	p := Plot{Signal: signal, Unit: unit}
	broken := false
	for i := 1; i < len(bends); i++ {
		a, b := bends[i-1], bends[i]
		for s := a.s; s < b.s; s += 2 {
			if s >= gapFrom && s < gapTo {
				broken = true
				continue
			}
			v := a.v + (b.v-a.v)*(s-a.s)/(b.s-a.s)
			noise := 0.002 * a.v * float64(int(s)%3-1) / 2
			p.Points = append(p.Points, PlotPoint{From: at(s), To: at(s + 2), Least: v - 0.01, Greatest: v + 0.01,
				First: v + noise, Last: v - noise, Break: broken})
			broken = false
		}
	}
	return p
}

func value(s float64, signal string, v float64, unit, reference string, frame uint64) Evidence {
	return Evidence{Time: clock(s), Signal: signal, Value: ptr(v), Unit: unit, Frame: frame, Proof: "proven", At0: at(s), Reference: reference}
}

func markAt(s float64, name string, record uint64) Evidence {
	return Evidence{Time: clock(s), Mark: name, Record: record, At0: at(s)}
}

func message(s float64, hex string, frame uint64) Evidence {
	return Evidence{Time: clock(s), Message: hex, Frame: frame, At0: at(s)}
}

func stage(name, from string, start, end float64, corners ...string) Stage {
	return Stage{Stage: name, Corners: corners, From: from, Start: clock(start), End: clock(end), From0: at(start), To0: at(end)}
}

// finding fills what every finding has; the rest is set by the caller.
func finding(rule, outcome, severity, corner string, start, end float64, summary string) Finding {
	return Finding{Rule: rule, Outcome: outcome, Severity: severity, Corner: corner, Start: clock(start), End: clock(end), Summary: summary,
		Class: "seen", Source: "common practice, no source", Proof: "proven", From0: at(start), To0: at(end), Asked: true, Title: titles[rule]}
}

var titles = map[string]string{
	"lowered-without-pressure": "what was in the spring when the body came down on it",
	"stood-without-pressure":   "what was in the spring while the vehicle stood on it",
	"request-refused":          "whether a bleed or fill was refused and work went on",
	"not-tight":                "whether the spring loses air",
	"over-pressure":            "whether the spring was filled beyond its greatest pressure",
	"height-not-restored":      "whether the height came back",
	"engine-run-too-short":     "how long the engine ran before lowering",
	"filled-in-one-go":         "whether the spring was filled in steps",
	"ignition-while-open":      "whether the ignition was on while a line was open",
	"bled-in-one-go":           "whether the spring was bled in steps",
	"moved-unasked":            "whether air moved that nobody asked for",
	"record-incomplete":        "whether the record is whole",
	"spring-past-date":         "whether the new spring was in date",
	"sides-uneven":             "whether left and right stand level",
}

func (f Finding) with(e ...Evidence) Finding {
	f.Evidence = e
	for _, e := range e {
		if e.Signal != "" {
			f.RestsOn = append(f.RestsOn, e.Signal+" ("+e.Proof+")")
		}
	}
	return f
}

func (f Finding) because(reason, note string) Finding {
	f.Reason, f.Note = reason, note
	f.Summary = fmt.Sprintf("%s: %s: cannot tell, because %s", f.about(), f.Title, note)
	return f
}

func (f Finding) unasked() Finding { f.Asked = false; return f }

func limit(rule, name string, v *float64, unit, from, corner string) Limit {
	return Limit{Rule: rule, Name: name, Value: v, Unit: unit, From: from, Corner: corner}
}

// wagon holds what the three sessions share.
func wagon(seconds float64) *Review {
	r := &Review{Schema: Schema}
	r.Session = Session{File: "wagon7.pcapng", Start: clock(0), End: clock(seconds), Frames: 1746648, Lost: ptr(uint64(0)), Origin: "simulated",
		Integrity: "sealed", Buses: []Bus{{Name: "can0", Frames: 1746648, Lost: ptr(uint64(0))}}}
	r.Record = Record{Job: "rear springs renewed", Label: "demo wagon 7", Start: at(0), End: at(seconds), Definitions: []string{"demo-wagon.yaml"},
		Card: "demo-wagon-7.yaml", Proven: 6, Assumed: 2}
	return r
}

// curves draws the four corners over an hour: front ones that carry throughout, rear ones that are
// bled from 300 s to 600 s, filled from 1380 s to end at the given pressures, and go down at 2010 s.
func (r *Review) curves(rearRightFill, rearRightEnd float64, gapFrom, gapTo float64) {
	hang := []bend{{0, 394}, {160, 394}, {220, 471}, {2010, 471}, {2060, 394}, {2330, 394}, {3600, 393.6}}
	for i, c := range decode.Corners {
		name := []string{"front_left", "front_right", "rear_left", "rear_right"}[i]
		k := &r.Corners[c]
		*k = Corner{Present: true, OnAir: true, Least: ptr(1.0), Greatest: ptr(11.0)}
		k.Height = curve(name+"_height", "mm", gapFrom, gapTo, hang...)
		k.Pressure = curve(name+"_pressure", "bar gauge", gapFrom, gapTo, bend{0, 7.6}, bend{160, 7.6}, bend{220, 5.5},
			bend{2010, 5.5}, bend{2060, 7.65}, bend{3600, 7.62})
		k.Last = "7.62 bar gauge, 393.6 mm"
	}
	rear := &r.Corners[decode.RearLeft]
	rear.Series = ptr(395.0)
	rear.Pressure = curve("rear_left_pressure", "bar gauge", gapFrom, gapTo, bend{0, 6}, bend{160, 6}, bend{220, 4.3}, bend{300, 4.3},
		bend{420, 0.05}, bend{1380, 0.04}, bend{1560, 3.4}, bend{2010, 3.38}, bend{2060, 6.1}, bend{3600, 6.09})
	rear.Last = "6.09 bar gauge, 393.6 mm"
	right := &r.Corners[decode.RearRight]
	right.Series = ptr(395.0)
	right.Pressure = curve("rear_right_pressure", "bar gauge", gapFrom, gapTo, bend{0, 6}, bend{160, 6}, bend{220, 4.3}, bend{460, 4.3},
		bend{600, 0.04}, bend{1530, 0.03}, bend{1580, rearRightFill}, bend{2010, rearRightFill}, bend{2060, 2.02}, bend{2180, 2.1},
		bend{2330, rearRightEnd + 0.1}, bend{3600, rearRightEnd})
	right.Last = "6.14 bar gauge, 387.6 mm"
}

func (r *Review) stages() {
	r.Stages = []Stage{
		stage("standing", "signals", 0, 160), stage("lift", "signals", 160, 220),
		stage("bleed", "request", 300, 420, "rear-left"), stage("bleed", "request", 460, 600, "rear-right"),
		stage("line-open", "mark", 622, 1368, "rear-left"), stage("line-open", "mark", 630, 1372, "rear-right"),
		stage("fill", "request", 1380, 1560, "rear-left"), stage("fill", "request", 1530, 1580, "rear-right"),
		stage("leak-check", "mark", 1640, 1940, "rear-left", "rear-right"),
		stage("lowering", "signals", 2012, 2060, "front-left", "front-right", "rear-left", "rear-right"),
		stage("engine-run", "signals", 2100, 2330), stage("standing", "signals", 2066, 3600),
	}
	r.Record.Marks = []Mark{
		{At: at(150), Name: "lift-up", Record: 3}, {At: at(240), Name: "wheels-off", Record: 4},
		{At: at(622), Name: "line-open", Corner: "rear-left", Record: 11}, {At: at(630), Name: "line-open", Corner: "rear-right", Record: 12},
		{At: at(1368), Name: "line-closed", Corner: "rear-left", Record: 30}, {At: at(1372), Name: "line-closed", Corner: "rear-right", Record: 31},
		{At: at(2000), Name: "going-down", Record: 41}, {At: at(2100), Name: "first-contact", Record: 43}, {At: at(2340), Name: "lowered", Record: 46},
		{At: at(3550), Name: "tape", Corner: "rear-right", Value: "388 mm", Record: 52},
	}
	r.Record.Said = []string{"KL, at 2 March 2026 15:40 UTC: axle alignment measured (job card)"}
}

func (r *Review) usualLimits() {
	for _, c := range decode.Corners {
		r.Limits = append(r.Limits, limit("lowered-without-pressure", "least_pressure", ptr(1.0), "bar", "card", c.String()),
			limit("stood-without-pressure", "least_pressure", ptr(1.0), "bar", "card", c.String()),
			limit("over-pressure", "greatest_pressure", ptr(11.0), "bar", "card", c.String()))
	}
	r.Limits = append(r.Limits, limit("not-tight", "leak", ptr(4.0), "ml/min", "card", "rear-left"), limit("not-tight", "leak", ptr(4.0), "ml/min", "card", "rear-right"),
		limit("height-not-restored", "height_tolerance", ptr(5.0), "mm", "card", "rear-left"), limit("height-not-restored", "height_tolerance", ptr(5.0), "mm", "card", "rear-right"),
		limit("engine-run-too-short", "run_before_lowering", ptr(120.0), "s", "default", ""), limit("compressor-overrun", "compressor_run", nil, "s", "none", ""))
}

// carried adds what held at corners that were never empty.
func (r *Review) carried(corners ...string) {
	for _, c := range corners {
		r.Findings = append(r.Findings,
			finding("lowered-without-pressure", "held", "danger", c, 2012, 2060, c+" came down with 5.50 bar gauge in it; it may be rolled from 1.00 bar gauge on").
				with(value(2011, under(c)+"_pressure", 5.5, "bar", "gauge", 774700)),
			finding("stood-without-pressure", "held", "danger", c, 2066, 3600, c+" had at least 5.98 bar gauge while the vehicle stood"),
			finding("over-pressure", "held", "danger", c, 0, 3600, c+" had at most 7.70 bar gauge, its greatest is 11.00 bar gauge"))
	}
}

func under(corner string) string {
	switch corner {
	case "front-left":
		return "front_left"
	case "front-right":
		return "front_right"
	case "rear-left":
		return "rear_left"
	default:
		return "rear_right"
	}
}

// earlyLowering is the session in which the body came down on an empty spring.
func earlyLowering() *Review {
	r := wagon(3600)
	r.Outcome = WarningGiven
	r.Session.Lost, r.Session.Buses[0].Lost = ptr(uint64(118)), ptr(uint64(118))
	r.curves(0.65, 6.14, 622, 1368)
	r.Corners[decode.RearRight].Height = curve("rear_right_height", "mm", 622, 1368, bend{0, 394}, bend{160, 394}, bend{220, 470}, bend{2010, 470},
		bend{2032, 331.2}, bend{2180, 331.2}, bend{2330, 394.2}, bend{3600, 387.6})
	r.stages()
	r.usualLimits()
	r.Record.Gaps = []Gap{{at(622), at(1368)}}
	r.Record.Losses = []Loss{{From: at(1862), To: at(1862.19), Bus: "can0", Frames: 118}}
	r.carried("front-left", "front-right", "rear-left")
	r.Findings = append(r.Findings,
		finding("stood-without-pressure", "broken", "danger", "rear-right", 2055, 2215, "rear-right stood on its bump stop for 160 s").
			with(value(2055, "rear_right_height", 331.2, "mm", "", 795100), value(2100.3, "rear_right_pressure", 2.02, "bar", "gauge", 816210)),
		finding("lowered-without-pressure", "broken", "danger", "rear-right", 2012, 2031,
			"rear-right came down on an empty spring: 0.65 bar gauge before it began to close, least 1.00 bar gauge").
			with(value(2011.4, "rear_right_pressure", 0.65, "bar", "gauge", 774792), value(2012, "rear_right_height", 464, "mm", "", 774901),
				value(2031, "rear_right_height", 331.2, "mm", "", 781616), markAt(2000, "going-down", 41)),
		finding("request-refused", "broken", "warning", "rear-right", 1580, 1640, "the tester's second fill request at rear-right was refused (0x22), and work went on").
			with(message(1580.2, "31 01 03 02", 611020), message(1580.25, "7F 31 22", 611022)),
		finding("height-not-restored", "broken", "warning", "rear-right", 3540, 3600, "rear-right ends 7.4 mm below its series height 395.0 mm, tolerance 5.0 mm").
			with(value(3598, "rear_right_height", 387.6, "mm", "", 1746001)),
		finding("filled-in-one-go", "broken", "advice", "rear-right", 1530, 1580, "rear-right was filled in one step").
			unasked().with(value(1580, "rear_right_pressure", 0.65, "bar", "gauge", 611001)),
		finding("engine-run-too-short", "held", "warning", "", 2100, 2330, "the engine ran for 230 s before the vehicle was lowered to level"),
		finding("not-tight", "cannot-tell", "warning", "front-left", 2330, 3600, "").because("inside-uncertainty", "the interval, -0.9 to 5.3 ml/min, crosses the limit 4; 9 min more would tell"),
		finding("ignition-while-open", "cannot-tell", "warning", "", 622, 1372, "").unasked().because("gap", "no frame from 10:22 to 22:48, while the lines were open"),
		finding("moved-unasked", "cannot-tell", "danger", "rear-left", 622, 1372, "").unasked().because("gap", "nothing was recorded when it mattered"),
		finding("moved-unasked", "cannot-tell", "danger", "rear-right", 622, 1372, "").unasked().because("gap", "nothing was recorded when it mattered"),
		finding("record-incomplete", "broken", "advice", "", 622, 1368, "for 746 s no frame was heard on any bus; 2 rules needed them").unasked())
	leaking := finding("not-tight", "broken", "warning", "rear-right", 2330, 3600, "rear-right loses 18.1 ml/min ANR (14.9 to 21.6) while standing, limit 4")
	leaking.Class = "worked-out"
	r.Findings = append(r.Findings, leaking.with(value(2331, "rear_right_pressure", 6.24, "bar", "gauge", 1130020), value(3599, "rear_right_pressure", 6.14, "bar", "gauge", 1746302)))
	r.Leaks = []Leak{{Corner: "rear-right", Regime: "standing", Start: clock(2330), End: clock(3600), Rate: &Interval{0.0324, 0.0267, 0.0387, "Pa m3/s"},
		RateANR: &Interval{Value: 18.1, Low: 14.9, High: 21.6}, Confidence: 0.95, LimitANR: ptr(4.0), Outcome: "leaking", SagMMIn12h: ptr(152.0), PressureBar: 6.2},
		{Corner: "front-left", Regime: "standing", Start: clock(2330), End: clock(3600), Rate: &Interval{0.0039, -0.0016, 0.0095, "Pa m3/s"},
			RateANR: &Interval{Value: 2.2, Low: -0.9, High: 5.3}, Confidence: 0.95, LimitANR: ptr(4.0), Outcome: "cannot-tell", NeedsS: ptr(540.0), PressureBar: 7.6}}
	r.Sag = []Sag{{Corner: "rear-right", Start: clock(2330), End: clock(3600), DropMM: 6.7, Sentence: "rear-right sank 7 mm: 5 mm because air leaked away, 1 mm because its air cooled", Causes: []Cause{
		{Cause: "leak", MM: 5.3, LowMM: 4.4, HighMM: 6.4, Weight: 0.78}, {Cause: "cooling", MM: 1.5, LowMM: 1.0, HighMM: 2.1, Weight: 0.22}, {Cause: "unexplained", MM: -0.1, LowMM: -0.9, HighMM: 0.7, Weight: 0.01}}}}
	return r
}

// properJob is the session in which nothing was found.
func properJob() *Review {
	r := wagon(3600)
	r.Outcome = NothingFound
	r.Session.Anchors = []string{"paper, 4KQ7-M2XD-91TB"}
	r.curves(3.4, 6.12, -1, -1)
	r.Corners[decode.RearRight].Pressure = r.Corners[decode.RearLeft].Pressure
	r.Corners[decode.RearRight].Pressure.Signal = "rear_right_pressure"
	r.stages()
	r.usualLimits()
	r.carried("front-left", "front-right", "rear-left", "rear-right")
	r.Findings = append(r.Findings,
		finding("engine-run-too-short", "held", "warning", "", 2100, 2330, "the engine ran for 230 s before the vehicle was lowered to level"),
		finding("bled-in-one-go", "held", "advice", "rear-left", 300, 420, "rear-left was bled in 3 steps").unasked(),
		finding("moved-unasked", "cannot-tell", "danger", "rear-left", 622, 1372, "").unasked().because("no-signal", "none of the card's requests could be read"),
		finding("moved-unasked", "cannot-tell", "danger", "rear-right", 622, 1372, "").unasked().because("no-signal", "none of the card's requests could be read"))
	return r
}

// blind is the session that can't be judged: no limits, a rear-right pressure that stopped, a gap
// while the vehicle came down, nobody counted losses, and the file is cut short.
func blind() *Review {
	r := wagon(2400)
	r.Outcome = CannotTellAny
	r.Session.Lost, r.Session.Origin, r.Session.Integrity, r.Session.Buses[0].Lost = nil, "unknown", "cut-short", nil
	r.Record.IntegrityNote = "the file ends at byte 88 213 004 within a packet; proven up to 39:58, packet 1164000"
	r.curves(0.9, 6.1, 1990, 2062)
	for _, c := range decode.Corners {
		k := &r.Corners[c]
		k.Least, k.Greatest, k.Series = nil, nil, nil
		k.Height = until(k.Height, 2400)
		k.Pressure = until(k.Pressure, 2400)
	}
	right := &r.Corners[decode.RearRight]
	right.Pressure = until(right.Pressure, 1700)
	right.Last = "stale since 28:20, then 0.90 bar gauge; 393.6 mm"
	r.Corners[decode.FrontLeft] = Corner{Present: true, Last: "not an air spring"}
	r.Corners[decode.FrontRight] = Corner{Present: false}
	r.Record.NotAirSprung = []string{"front-left"}
	r.Record.Gaps = []Gap{{at(1990), at(2062)}}
	r.Record.SpringsByGuess, r.Record.Card = true, ""
	r.Record.NotDecoded = []string{"front_right_pressure (no answer carries identifier 0x2B01)"}
	r.Record.Damage = []string{"22 bytes at 88 212 982: a packet without its end"}
	r.Record.Proven, r.Record.Assumed, r.Record.Contradicted = 0, 5, 1
	r.Findings = append(r.Findings,
		finding("lowered-without-pressure", "cannot-tell", "danger", "rear-left", 1990, 2062, "").because("gap", "it closed while nothing was recorded"),
		finding("lowered-without-pressure", "cannot-tell", "danger", "rear-right", 1990, 2062, "").
			because("stale", "its last pressure, 0.90 bar gauge, was 290 s old when it began to close").
			with(value(1699.5, "rear_right_pressure", 0.9, "bar", "gauge", 655120)),
		finding("stood-without-pressure", "cannot-tell", "danger", "rear-left", 2066, 2400, "").because("no-limit", "the job card gives no least pressure"),
		finding("stood-without-pressure", "cannot-tell", "danger", "rear-right", 2066, 2400, "").because("no-limit", "the job card gives no least pressure"),
		finding("bled-in-one-go", "broken", "advice", "rear-right", 460, 600, "rear-right was bled in one step").unasked().
			with(value(460, "rear_right_pressure", 4.3, "bar", "gauge", 334100), value(600, "rear_right_pressure", 0.04, "bar", "gauge", 436700)))
	r.Limits = []Limit{limit("lowered-without-pressure", "least_pressure", ptr(1.0), "bar", "default", "rear-left"),
		limit("lowered-without-pressure", "least_pressure", ptr(1.0), "bar", "default", "rear-right"), limit("over-pressure", "greatest_pressure", nil, "bar", "none", "")}
	r.Stages = []Stage{stage("standing", "signals", 0, 160), stage("bleed", "signals", 460, 600, "rear-right"), stage("standing", "signals", 2066, 2400)}
	return r
}

// until leaves out what came later.
func until(p Plot, s float64) Plot {
	for i := range p.Points {
		if p.Points[i].From >= at(s) {
			p.Points = p.Points[:i]
			break
		}
	}
	return p
}
