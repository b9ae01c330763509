package review

import (
	_ "embed"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

//go:embed compare.schema.json
var compareSchemaDocument []byte

// CompareSchemaDocument returns the JSON Schema (2020-12) of the JSON form of a comparison.
func CompareSchemaDocument() []byte { return slices.Clone(compareSchemaDocument) }

// CompareSchema names the JSON form of a comparison.
const CompareSchema = "ridewitness/compare/1"

// Comparison sets two sessions of one vehicle side by side.
type Comparison struct {
	Schema      string      `json:"schema"`
	A           Side        `json:"a"`
	B           Side        `json:"b"`
	Comparable  bool        `json:"comparable"`
	Reasons     []string    `json:"reasons"` // why not, or with what reserve
	Stages      []StagePair `json:"stages"`
	Corners     []EndPair   `json:"corners"`
	Differences []string    `json:"differences"` // what it means, one sentence each
	Sag         []Sag       `json:"sag"`         // from the end of the earlier session to the start of the later one
	SagNote     string      `json:"sag_note,omitempty"`

	reviews [2]*Review
}

// Side is one of the two sessions.
type Side struct {
	File      string `json:"file"`
	Label     string `json:"label"`
	Start     string `json:"start"`
	End       string `json:"end"`
	Outcome   string `json:"outcome"`
	Origin    string `json:"origin"`
	Integrity string `json:"integrity"`
}

// StagePair is the same kind of stage, of the same corners, in both sessions: the first with the
// first, the second with the second.
type StagePair struct {
	Stage   string   `json:"stage"`
	Corners []string `json:"corners"`
	A       *StageAt `json:"a"`
	B       *StageAt `json:"b"`
}

// StageAt is one stage: when, how long, and the pressures at its ends where it is about one corner.
type StageAt struct {
	Start   string   `json:"start"`
	Seconds float64  `json:"seconds"`
	FromBar *float64 `json:"from_bar"` // gauge
	ToBar   *float64 `json:"to_bar"`
}

// EndPair is where a corner ended in both sessions.
type EndPair struct {
	Corner string   `json:"corner"`
	BarA   *float64 `json:"bar_a"` // gauge
	BarB   *float64 `json:"bar_b"`
	MMA    *float64 `json:"mm_a"` // as the height signal counts
	MMB    *float64 `json:"mm_b"`
}

// What counts as a difference: below it the two are alike.
const (
	alikeBar     = 0.2 // twice the usual uncertainty of a pressure, in both
	alikeMM      = 3.0 // what two tape readings may differ by
	alikeSeconds = 15.0
)

// Compare sets two reviews side by side. Sessions that are not comparable are not compared: Reasons
// says why.
func Compare(a, b *Review) *Comparison {
	c := &Comparison{Schema: CompareSchema, A: sideOf(a), B: sideOf(b), Reasons: []string{}, Stages: []StagePair{},
		Corners: []EndPair{}, Differences: []string{}, Sag: []Sag{}, reviews: [2]*Review{a, b}}
	c.Reasons = append(c.Reasons, incomparable(a, b)...)
	if c.Comparable = len(c.Reasons) == 0; !c.Comparable {
		return c
	}
	c.stages(a, b)
	c.ends(a, b)
	c.sag(a, b)
	return c
}

func sideOf(r *Review) Side {
	return Side{File: r.Session.File, Label: clean(r.Record.Label), Start: r.Session.Start, End: r.Session.End, Outcome: r.Outcome,
		Origin: r.Session.Origin, Integrity: r.Session.Integrity}
}

// incomparable says why two sessions can't be compared, nothing where they can.
func incomparable(a, b *Review) []string {
	var why []string
	if a.judged == nil || b.judged == nil {
		return []string{"one of them was not judged from its frames"}
	}
	switch la, lb := a.Record.Label, b.Record.Label; {
	case la == "" || lb == "":
		why = append(why, "no vehicle label on one of the job cards: nobody can tell that it is the same vehicle")
	case la != lb:
		why = append(why, fmt.Sprintf("they are of two vehicles: %s and %s", clean(la), clean(lb)))
	}
	for _, id := range decode.Corners {
		for _, q := range []decode.Quantity{decode.Pressure, decode.Height} {
			if text := otherDefinition(a, b, id, q); text != "" {
				why = append(why, text)
			}
		}
	}
	if a.Record.Start < b.Record.Start && a.Record.End > b.Record.Start || b.Record.Start < a.Record.Start && b.Record.End > a.Record.Start {
		why = append(why, "they overlap in time: two recordings of one vehicle can't")
	}
	return why
}

// otherDefinition says how the definitions of a corner's quantity differ, "" where they do not.
func otherDefinition(a, b *Review, id decode.Corner, q decode.Quantity) string {
	da, db := definition(a, id, q), definition(b, id, q)
	switch {
	case da == nil && db == nil:
		return ""
	case da == nil || db == nil:
		return fmt.Sprintf("only one of them has a definition of the %s at %s", q, id)
	case da.Origin != db.Origin || da.Field != db.Field || da.Scale != db.Scale || da.Unit != db.Unit:
		return fmt.Sprintf("the %s at %s is defined otherwise in each: %s and %s", q, id, da.Place, db.Place)
	case da.Offset != db.Offset || da.Reference != db.Reference:
		return fmt.Sprintf("the %s at %s has another zero in each: %s and %s", q, id, da.Place, db.Place)
	}
	return ""
}

func definition(r *Review, id decode.Corner, q decode.Quantity) *decode.Signal {
	i := slices.IndexFunc(r.signals, func(s decode.Signal) bool { return s.Corner == id && s.Quantity == q })
	if i < 0 {
		return nil
	}
	return &r.signals[i]
}

// compared are the stages that two jobs have in common; standing depends on how long one waits.
var compared = []string{safety.StageBleed, safety.StageLineOpen, safety.StageFill, safety.StageEngineRun, safety.StageLowering}

// stages pairs the stages of both, and says what differs.
func (c *Comparison) stages(a, b *Review) {
	if idle := c.idle(a, b); idle {
		return
	}
	for _, name := range compared {
		for _, corners := range kinds(name, a, b) {
			sa, sb := stagesOf(a, name, corners), stagesOf(b, name, corners)
			for i := range max(len(sa), len(sb)) {
				p := StagePair{Stage: name, Corners: corners}
				if i < len(sa) {
					p.A = stageAt(a, sa[i])
				}
				if i < len(sb) {
					p.B = stageAt(b, sb[i])
				}
				c.Stages = append(c.Stages, p)
				c.meaning(&p)
			}
		}
	}
}

// idle reports whether one of the sessions shows no spring work at all, and says so: then there is
// nothing to pair.
func (c *Comparison) idle(a, b *Review) bool {
	works := func(r *Review) bool {
		return slices.ContainsFunc(r.Stages, func(s Stage) bool { return slices.Contains(compared, s.Stage) })
	}
	workedA, workedB := works(a), works(b)
	switch {
	case workedA && !workedB:
		c.differs("the second session shows no work on the springs")
	case workedB && !workedA:
		c.differs("the first session shows no work on the springs")
	}
	return !workedA || !workedB
}

// kinds returns the sets of corners for which a stage occurs in one of the sessions.
func kinds(name string, reviews ...*Review) [][]string {
	var all [][]string
	for _, r := range reviews {
		for _, s := range r.Stages {
			corners := s.Corners
			if name == safety.StageLowering {
				corners = []string{}
			}
			if s.Stage == name && !slices.ContainsFunc(all, func(k []string) bool { return slices.Equal(k, corners) }) {
				all = append(all, corners)
			}
		}
	}
	slices.SortFunc(all, slices.Compare[[]string])
	return all
}

// stagesOf returns the stages of that kind; steps of one bleed or fill that follow each other are one.
func stagesOf(r *Review, name string, corners []string) []Stage {
	var all []Stage
	for _, s := range r.Stages {
		if s.Stage != name || name != safety.StageLowering && !slices.Equal(s.Corners, corners) {
			continue
		}
		if n := len(all); n > 0 && (name == safety.StageBleed || name == safety.StageFill) && !turned(r, all[n-1], s) {
			all[n-1].To0, all[n-1].End = s.To0, s.End
			continue
		}
		all = append(all, s)
	}
	return all
}

// turned reports whether between two stages of one kind the opposite was done at the same corner.
func turned(r *Review, first, next Stage) bool {
	opposite := map[string]string{safety.StageBleed: safety.StageFill, safety.StageFill: safety.StageBleed}[first.Stage]
	return slices.ContainsFunc(r.Stages, func(s Stage) bool {
		return s.Stage == opposite && slices.Equal(s.Corners, first.Corners) && s.From0 >= first.From0 && s.From0 <= next.From0
	})
}

func stageAt(r *Review, s Stage) *StageAt {
	at := &StageAt{Start: s.Start, Seconds: s.To0.Sub(s.From0).Seconds()}
	if len(s.Corners) == 1 {
		at.FromBar, at.ToBar = r.pressureAt(s.Corners[0], s.From0.Add(-besideStage)), r.pressureAt(s.Corners[0], s.To0.Add(besideStage))
	}
	return at
}

// freshEnough is how old a value may be that speaks for a moment.
const freshEnough = 10 * time.Second

// besideStage is how long before its start and after its end the pressures of a stage are read.
const besideStage = 2 * time.Second

// pressureAt returns the pressure of a corner at a time, as exactly as the plot keeps it.
func (r *Review) pressureAt(corner string, at capture.Stamp) *float64 {
	id, ok := decode.ParseCorner(corner)
	if !ok {
		return nil
	}
	points := r.Corners[id].Pressure.Points
	i, _ := slices.BinarySearchFunc(points, at, func(p PlotPoint, t capture.Stamp) int {
		switch {
		case p.From > t:
			return 1
		default:
			return -1
		}
	})
	if i == 0 || at.Sub(points[i-1].To) > freshEnough {
		return nil
	}
	v := points[i-1].Last
	return &v
}

// meaning says what differs between two stages.
func (c *Comparison) meaning(p *StagePair) {
	what := strings.TrimSpace(strings.Join(p.Corners, ", ") + " " + p.Stage)
	switch {
	case p.A == nil:
		c.differs("%s: only in the second session", what)
		return
	case p.B == nil:
		c.differs("%s: only in the first session", what)
		return
	}
	if p.A.ToBar != nil && p.B.ToBar != nil && math.Abs(*p.B.ToBar-*p.A.ToBar) > alikeBar {
		verb := map[string][2]string{safety.StageBleed: {"was bled further", "was bled less far"}, safety.StageFill: {"was filled to less", "was filled to more"}}[p.Stage]
		if verb[0] != "" {
			word := verb[0]
			if *p.B.ToBar > *p.A.ToBar {
				word = verb[1]
			}
			c.differs("%s %s in the second session: to %s, in the first to %s", strings.Join(p.Corners, ", "), word, gauge(*p.B.ToBar), gauge(*p.A.ToBar))
		}
	}
	if p.Stage == safety.StageEngineRun && math.Abs(p.B.Seconds-p.A.Seconds) > alikeSeconds {
		c.differs("the engine ran for %.0f s in the second session, for %.0f s in the first", p.B.Seconds, p.A.Seconds)
	}
}

func gauge(v float64) string { return fmt.Sprintf("%.2f bar gauge", v) }

func (c *Comparison) differs(format string, args ...any) {
	c.Differences = append(c.Differences, fmt.Sprintf(format, args...))
}

// ends sets side by side where the corners ended.
func (c *Comparison) ends(a, b *Review) {
	for _, id := range decode.Corners {
		if !a.Corners[id].Present && !b.Corners[id].Present {
			continue
		}
		e := EndPair{Corner: id.String(), BarA: lastOf(a.Corners[id].Pressure), BarB: lastOf(b.Corners[id].Pressure),
			MMA: lastOf(a.Corners[id].Height), MMB: lastOf(b.Corners[id].Height)}
		c.Corners = append(c.Corners, e)
		if e.BarA != nil && e.BarB != nil && math.Abs(*e.BarB-*e.BarA) > alikeBar {
			c.differs("%s ended with %s in the second session, with %s in the first", id, gauge(*e.BarB), gauge(*e.BarA))
		}
		if e.MMA != nil && e.MMB != nil && math.Abs(*e.MMB-*e.MMA) > alikeMM {
			c.differs("%s ended %.1f mm %s in the second session", id, math.Abs(*e.MMB-*e.MMA), map[bool]string{true: "higher", false: "lower"}[*e.MMB > *e.MMA])
		}
	}
}

func lastOf(p Plot) *float64 {
	if len(p.Points) == 0 {
		return nil
	}
	v := p.Points[len(p.Points)-1].Last
	return &v
}

// sag splits what the corners sank from the end of the earlier session to the start of the later one.
func (c *Comparison) sag(a, b *Review) {
	if b.Record.Start < a.Record.Start {
		a, b = b, a
	}
	rows, ok := safety.SagBetween(a.judged, b.judged)
	if !ok {
		c.SagNote = "in one of the sessions the vehicle was not seen to stand still for 20 s, so nothing can be said of how it sank between them"
		return
	}
	for _, row := range rows {
		c.Sag = append(c.Sag, sagOf(row))
	}
}
