package sag

import (
	"fmt"
	"math"
	"strings"
)

// phrases say what a cause did, for a sinking and for a rising part.
var phrases = map[Kind][2]string{
	Sensor:    {"the height sensor shows lower than the body is", "the height sensor shows higher than the body is"},
	Commanded: {"air was let out on request", "air was let in on request"},
	Load:      {"it carries more", "it carries less"},
	Cooling:   {"its air cooled", "its air warmed"},
	CrossFlow: {"air flowed over ", "air flowed over "},
	Leak:      {"air leaked away", "air came in"},
}

// sentence says in plain words what happened to a corner.
func sentence(c Corner, w work) string {
	switch {
	case !c.HasDrop:
		return c.Name + ": whether it sank can't be told, " + c.Note
	case w.onStop():
		return fmt.Sprintf("%s %s and lies on its bump stop: why can't be told from there", c.Name, moved(c.DropMM.Value))
	}
	var parts, joint []string
	for _, cause := range c.Causes {
		switch {
		case cause.Cause == UnderFilled || math.Abs(cause.MM) < 0.5:
		case cause.Joint:
			joint = append(joint, phrase(cause))
		default:
			parts = append(parts, fmt.Sprintf("%.0f mm%s%s", math.Abs(cause.MM), direction(cause.MM, c.DropMM.Value), phrase(cause)))
		}
	}
	if len(joint) > 0 {
		rest := ""
		if len(parts) > 0 {
			rest = "the rest"
		}
		parts = append(parts, strings.TrimSpace(rest+strings.Join(joint, " or"))+", which can't be told apart")
	}
	said := c.Name + " " + moved(c.DropMM.Value)
	if s := w.find(Sensor); s != nil {
		said = fmt.Sprintf("%s reads %.0f mm lower, while its body %s", c.Name, c.DropMM.Value, moved(c.BodyMM.Value))
		if c.DropMM.Value < 0 {
			said = fmt.Sprintf("%s reads %.0f mm higher, while its body %s", c.Name, -c.DropMM.Value, moved(c.BodyMM.Value))
		}
	}
	if len(parts) > 0 {
		said += ": " + strings.Join(parts, ", ")
	}
	if u := w.find(UnderFilled); u != nil {
		said += fmt.Sprintf("; it was %.0f mm too low before already", u.mm)
	}
	return said
}

// moved says how far a body went. Less than half a millimetre is nothing that a tape would show.
func moved(mm float64) string {
	switch {
	case mm >= 0.5:
		return fmt.Sprintf("sank %.0f mm", mm)
	case mm <= -0.5:
		return fmt.Sprintf("rose %.0f mm", -mm)
	}
	return "did not move"
}

// direction names the direction of a part that goes against the whole.
func direction(part, whole float64) string {
	switch {
	case part*whole >= 0 && math.Abs(whole) >= 0.5:
		return ""
	case part > 0:
		return " down"
	}
	return " up"
}

// phrase says why, to follow a length.
func phrase(c Cause) string {
	if c.Cause == Unexplained {
		return " unexplained"
	}
	way := 0
	if c.MM < 0 {
		way = 1
	}
	p := " because " + phrases[c.Cause][way]
	if c.Cause == CrossFlow {
		p += c.Note
	}
	return p
}

// joinNotes strings notes together, an empty first one left out.
func joinNotes(first string, more ...string) string {
	all := more
	if first != "" {
		all = append([]string{first}, more...)
	}
	return strings.Join(all, "; ")
}

// hintTwist raises a doubt where one corner of four sinks alone: a stiff body leans, so that
// front-left + rear-right sink as much as front-right + rear-left. It needs the four corners in the
// order front-left, front-right, rear-left, rear-right, and decides nothing.
func hintTwist(corners []Corner, works []work) {
	if len(corners) != 4 {
		return
	}
	worst := 0
	for i, c := range corners {
		if !c.HasDrop || works[i].onStop() {
			return
		}
		if math.Abs(works[i].rest) > math.Abs(works[worst].rest) {
			worst = i
		}
	}
	d := func(i int) float64 { return corners[i].BodyMM.Value }
	w := works[worst]
	taped := w.before.TapeMM.Known && w.after.TapeMM.Known
	if math.Abs(d(0)+d(3)-d(1)-d(2)) > twistMM && !taped && w.crossWith == "" {
		corners[worst].Note = joinNotes(corners[worst].Note, "it moved alone, as a body hardly does: check the linkage of its height sensor")
	}
}

// redistribution says where a changed pressure is load that moved between corners: the sum of all
// loads stayed.
func redistribution(corners []Corner, works []work) {
	const same = 0.01 // of the sum
	var before, after float64
	for i := range works {
		w := &works[i]
		if !w.p0.Known || !w.p1.Known || !w.shaped {
			return
		}
		before += w.before.GaugePa.Value * w.areaM2
		after += w.after.GaugePa.Value * w.areaM2
	}
	if len(works) < 4 || before <= 0 || math.Abs(after-before) > same*before {
		return
	}
	for i := range works {
		if works[i].find(Load) != nil {
			corners[i].Note = joinNotes(corners[i].Note, "all corners together carry what they did: load moved between them")
		}
	}
}
