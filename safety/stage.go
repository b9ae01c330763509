package safety

import (
	"cmp"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

// Names of stages.
const (
	StageBleed     = "bleed"
	StageFill      = "fill"
	StageLift      = "lift"
	StageLineOpen  = "line-open"
	StageLowering  = "lowering"
	StageEngineRun = "engine-run"
	StageStanding  = "standing"
	StageLeakCheck = "leak-check"
)

// Stage is a stretch of the session.
type Stage struct {
	Name       string
	Corners    []decode.Corner
	Start, End capture.Stamp
	From       string // mark, request or signals
}

// maxStages bounds the stages of one session.
const maxStages = 10000

// stageTrack builds the stages from what happens.
type stageTrack struct {
	all      []Stage
	lift     capture.Stamp
	standing capture.Stamp
	engineOn capture.Stamp
	open     [5]capture.Stamp
}

func (t *stageTrack) add(s Stage) {
	if len(t.all) < maxStages && s.End >= s.Start {
		t.all = append(t.all, s)
	}
}

func (t *stageTrack) happen(v *Vehicle, h Happening) {
	switch h.Kind {
	case PhaseChanged:
		t.phase(v, h)
	case WasStanding:
		t.standing = h.Start
		if h.To != Standing {
			t.endStanding(h.At)
		}
	case DescentEnded:
		t.add(Stage{Name: StageLowering, Corners: closingCorners(h.Closing.Descent), Start: h.Start, End: h.At, From: "signals"})
	case AirMoveEnded:
		if h.Move.Change() < airMoveLeast {
			return
		}
		name := StageBleed
		if h.Move.Fill {
			name = StageFill
		}
		t.add(Stage{Name: name, Corners: []decode.Corner{h.Corner}, Start: h.Start, End: h.At, From: "signals"})
	case RunEnded:
		t.run(h.Run)
	case MarkSet:
		t.mark(v, h.Mark)
	}
}

func closingCorners(d *Descent) []decode.Corner {
	var cs []decode.Corner
	for _, cl := range d.Closings {
		if !slices.Contains(cs, cl.Corner) {
			cs = append(cs, cl.Corner)
		}
	}
	slices.Sort(cs)
	return cs
}

func (t *stageTrack) phase(v *Vehicle, h Happening) {
	if h.From == Standing {
		t.endStanding(v.phaseSince)
	}
	switch h.To {
	case Rising:
		t.lift = h.At
	case Hanging:
		if t.lift != 0 {
			t.add(Stage{Name: StageLift, Start: v.raiseStart, End: h.At, From: "signals"})
			t.lift = 0
		}
	case Standing:
		if t.standing == 0 {
			t.standing = h.At
		}
	}
}

func (t *stageTrack) endStanding(at capture.Stamp) {
	if t.standing != 0 {
		t.add(Stage{Name: StageStanding, Start: t.standing, End: at, From: "signals"})
		t.standing = 0
	}
}

func (t *stageTrack) mark(v *Vehicle, m *Mark) {
	for _, c := range v.meant(m) {
		switch m.Name {
		case MarkLineOpen:
			if t.open[c.id] == 0 {
				t.open[c.id] = m.At
			}
		case MarkLineClosed:
			if t.open[c.id] != 0 {
				t.add(Stage{Name: StageLineOpen, Corners: []decode.Corner{c.id}, Start: t.open[c.id], End: m.At, From: "mark"})
				t.open[c.id] = 0
			}
		}
	}
}

// engine follows whether the engine runs.
func (t *stageTrack) engine(runs bool, at capture.Stamp) {
	switch {
	case runs && t.engineOn == 0:
		t.engineOn = at
	case !runs && t.engineOn != 0:
		t.add(Stage{Name: StageEngineRun, Start: t.engineOn, End: at, From: "signals"})
		t.engineOn = 0
	}
}

// run adds a bleed or a fill by request. What the pressure showed of the same one says no more.
func (t *stageTrack) run(r *Run) {
	t.add(Stage{Name: r.Stage, Corners: r.Corners, Start: r.Start, End: r.End, From: "request"})
}

// preferRequests drops the bleeds and fills that signals showed at corners whose requests were read.
func (t *stageTrack) preferRequests() {
	type work struct {
		name   string
		corner decode.Corner
	}
	asked := map[work]bool{}
	for _, s := range t.all {
		if s.From == "request" {
			for _, c := range s.Corners {
				asked[work{s.Name, c}] = true
			}
		}
	}
	t.all = slices.DeleteFunc(t.all, func(s Stage) bool {
		return s.From == "signals" && len(s.Corners) == 1 && asked[work{s.Name, s.Corners[0]}]
	})
}

func (t *stageTrack) finish(v *Vehicle) {
	for _, r := range v.requests.runs {
		if r.End == 0 {
			t.add(Stage{Name: r.Stage, Corners: r.Corners, Start: r.Start, End: v.now, From: "request"})
		}
	}
	t.preferRequests()
	t.engine(false, v.now)
	if v.phase == Standing {
		t.endStanding(v.now)
	}
	for _, id := range decode.Corners {
		if t.open[id] != 0 {
			t.add(Stage{Name: StageLineOpen, Corners: []decode.Corner{id}, Start: t.open[id], End: v.now, From: "mark"})
		}
	}
	slices.SortStableFunc(t.all, func(a, b Stage) int { return cmp.Compare(a.Start, b.Start) })
}

// Stages returns the stretches of the session in the order of their start. Call it after Finish.
func (j *Judge) Stages() []Stage { return j.stages.all }
