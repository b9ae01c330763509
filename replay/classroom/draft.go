package classroom

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"

	"ridewitness/decode"
	"ridewitness/safety"
)

// asking is how a class is asked about a rule: what is right when it is broken, and what somebody
// says who has not looked.
type asking struct{ right, denial string }

// askings has a row for each rule whose breach matters. Advice is not asked about: it decides
// nothing, and a class would learn that everything is alike.
var askings = map[string]asking{
	"bled-under-load":               {"It was bled while it carried the body", "It hung free while it was bled"},
	"lowered-without-pressure":      {"The body came down on a spring with too little air", "It came down on a filled spring"},
	"lowered-with-no-fill-seen":     {"It came down without a fill since it was bled", "It was filled before it came down"},
	"stood-without-pressure":        {"The vehicle stood on a spring with too little air", "The spring carried the vehicle"},
	"line-opened-under-pressure":    {"The line was opened with pressure behind it", "There was nothing behind the line when it was opened"},
	"ignition-while-open":           {"The ignition was on while a line was open", "The ignition was off until all lines were closed"},
	"moved-unasked":                 {"Air moved that nobody asked for", "The tester had asked for that air to move"},
	"service-mode-lost":             {"The tester lost the control unit in the middle of its work", "The tester kept the control unit in service mode"},
	"engine-run-too-short":          {"The engine ran too short before the vehicle came down", "The engine had run long enough"},
	"engine-stopped-while-lowering": {"The engine stopped while the body came down", "The engine ran until the body was down"},
	"over-pressure":                 {"There was more pressure than the spring may have", "The pressure stayed below the greatest"},
	"compressor-overrun":            {"The compressor ran too long without a rest", "The compressor had its rests"},
	"not-tight":                     {"It loses air", "It is tight, and what is seen is the cooling"},
	"height-not-restored":           {"The height did not come back", "The height is where it was before the job"},
	"sides-uneven":                  {"Left and right do not stand level", "Left and right stand level"},
	"spring-past-date":              {"The new spring is past its date", "The new spring is within its date"},
	"spring-too-long":               {"The new spring has the wrong length", "The new spring has the length it should have"},
	"tightened-off-height":          {"The bolts were tightened at the wrong height", "The bolts were tightened at design height"},
	"request-refused":               {"The control unit refused what the tester asked", "The control unit did what it was asked"},
}

// maxDrafted is how many stops a draft has: a class of an hour comes no further.
const maxDrafted = 12

// Draft writes a lesson from what was found in a course, as YAML that Load takes: one stop for each
// danger and warning, in the order of their times. plays says which session the lesson names; the
// zero Plays names none. A draft is to be read and made better by the trainer: it knows what
// happened, not what this class gets wrong.
func Draft(c *Course, plays Plays) string {
	var b strings.Builder
	b.WriteString("# Drafted from the findings of the session. Read it before a class does: put the questions in\n" +
		"# your own words, and take out what your class knows.\nversion: 1\n")
	title := "What happened here"
	if c.Label != "" {
		title += ": " + c.Label
	}
	fmt.Fprintf(&b, "title: %s\n", quoted(clip(title, maxQuestion)))
	switch {
	case plays.Scenario != "":
		fmt.Fprintf(&b, "plays: {scenario: %s, seed: %d}\n", plays.Scenario, plays.Seed)
	case plays.Session != "":
		fmt.Fprintf(&b, "plays: {session: %s}\n", quoted(plays.Session))
	}
	b.WriteString("stops:\n")
	found := c.worthAsking()
	for _, f := range found {
		c.draftStop(&b, f)
	}
	if len(found) == 0 {
		c.draftNothing(&b)
	}
	return b.String()
}

// numbered is a finding and its number among those of its rule and corner.
type numbered struct {
	*safety.Finding
	number int
}

// worthAsking returns the findings to ask about, by time.
func (c *Course) worthAsking() []numbered {
	type key struct {
		rule   string
		corner decode.Corner
	}
	var found []numbered
	for i := range c.Findings {
		f := &c.Findings[i]
		if _, ok := askings[f.Rule.Name]; ok && f.Outcome == safety.Broken {
			found = append(found, numbered{f, 0})
		}
	}
	slices.SortStableFunc(found, func(a, b numbered) int { return cmp.Compare(a.Start, b.Start) })
	count := map[key]int{}
	for i, f := range found {
		k := key{f.Rule.Name, f.Corner}
		if f.Corner == decode.NoCorner { // a moment without a corner means any of the rule
			k = key{rule: f.Rule.Name}
		}
		count[k]++
		found[i].number = count[k]
	}
	return found[:min(len(found), maxDrafted)]
}

func (c *Course) draftStop(b *strings.Builder, f numbered) {
	at := "finding: " + f.Rule.Name
	where := "The vehicle"
	if f.Corner != decode.NoCorner {
		at += ", corner: " + f.Corner.String()
		where = capital(spoken(f.Corner))
	} else if f.Axle != safety.NoAxle {
		where = capital(f.Axle.String()) + " axle"
	}
	if f.number > 1 {
		at += fmt.Sprintf(", number: %d", f.number)
	}
	fmt.Fprintf(b, "  - at: {%s}\n    before: 1 s\n", at)
	if f.Corner == decode.NoCorner && f.Axle != safety.NoAxle {
		pair := f.Axle.Corners()
		fmt.Fprintf(b, "    corners: [%s, %s]\n", pair[0], pair[1])
	}
	fmt.Fprintf(b, "    question: %s\n", quoted(clip(where+": "+f.Rule.Title+". What is about to be seen?", maxQuestion)))
	c.draftChoices(b, f)
	fmt.Fprintf(b, "    reason: %s\n", quoted(clip(capital(f.Summary), maxReason)))
}

// draftChoices writes the right line and those that are wrong, each with what in the session makes it
// wrong. Where the right one stands depends on the finding only, so a draft is the same each time.
func (c *Course) draftChoices(b *strings.Builder, f numbered) {
	a := askings[f.Rule.Name]
	evidence := c.evidence(f.Finding)
	wrong := []Choice{
		{a.denial, evidence},
		{"Nobody can tell, something it needs is missing", "What it needs was there: " + lower(evidence)},
	}
	if f.Corner != decode.NoCorner {
		other := f.Corner.Opposite()
		wrong = append(wrong, Choice{"Nothing here, but the " + spoken(other) + " is in trouble", c.about(f, other)})
	} else {
		wrong = append(wrong, Choice{"Nothing that matters for this job", "It is found as a " + f.Rule.Severity.String() + ": " + lower(evidence)})
	}
	hash := fnv.New32a()
	fmt.Fprint(hash, f.Rule.Name, f.Corner, f.number)
	answer := int(hash.Sum32() % uint32(len(wrong)+1))
	b.WriteString("    choices:\n")
	for i, w := range slices.Insert(wrong, answer, Choice{Text: a.right}) {
		if i == answer {
			fmt.Fprintf(b, "      - text: %s\n", quoted(clip(w.Text, maxChoice)))
			continue
		}
		fmt.Fprintf(b, "      - text: %s\n        wrong: %s\n", quoted(clip(w.Text, maxChoice)), quoted(clip(w.Wrong, maxWrong)))
	}
	fmt.Fprintf(b, "    answer: %d\n", answer+1)
}

// evidence says what a finding rests on first.
func (c *Course) evidence(f *safety.Finding) string {
	for _, e := range f.Evidence {
		when := sessionTime(e.At.Sub(c.Start))
		switch {
		case e.Mark != "":
			return fmt.Sprintf("The mark %s was set at %s.", e.Mark, when)
		case len(e.Message) > 0:
			return fmt.Sprintf("At %s the bytes %X were on the bus.", when, e.Message)
		case e.State != "":
			return fmt.Sprintf("%s was %s at %s.", e.Signal, e.State, when)
		case e.Signal != "":
			return fmt.Sprintf("%s was %.2f %s at %s.", e.Signal, e.Value, e.Unit, when)
		}
	}
	return "The frames show it from " + sessionTime(f.Start.Sub(c.Start)) + " on."
}

// about says what the other side had at that moment, by its pressure.
func (c *Course) about(f numbered, other decode.Corner) string {
	r := c.corners[other].pressure.read(f.Start)
	for i := range c.Findings {
		if g := &c.Findings[i]; g.Rule == f.Rule && g.Corner == other && g.Outcome == safety.Broken {
			return "The " + spoken(other) + " is another finding; this one is about the " + spoken(f.Corner) + "."
		}
	}
	if !r.valid {
		return "Of the " + spoken(other) + " nothing of the kind was seen; this is about the " + spoken(f.Corner) + "."
	}
	return fmt.Sprintf("The %s had %.2f bar gauge then; this is about the %s.", spoken(other), r.value, spoken(f.Corner))
}

// draftNothing writes the question for a session in which nothing was found.
func (c *Course) draftNothing(b *strings.Builder) {
	untold := 0
	for i := range c.Findings {
		if c.Findings[i].Outcome == safety.CannotTell {
			untold++
		}
	}
	end := c.End.Sub(c.Start)
	fmt.Fprintf(b, `  - at: {time: "%s"}
    question: No rule was seen to be broken in this session. What does that prove?
    choices:
      - text: The job was done right
        wrong: Much of a job is on no bus, such as whether the bellows was folded.
      - text: Nothing, the recording is worthless
        wrong: What was judged, was judged by evidence that anybody can check.
      - text: That what could be judged was not broken, and no more
      - text: The vehicle may be handed over
        wrong: That is for the person who did the job to say. No recording takes it over.
    answer: 3
    reason: "%d answers of this session are 'cannot tell'. What was not seen is no good news."
`, sessionTime(end), untold)
}

// quoted writes a text as a YAML scalar in double quotes; JSON's are among them.
func quoted(text string) string {
	out, err := json.Marshal(text)
	if err != nil {
		// texts always are
		panic("classroom: " + err.Error())
	}
	return string(out)
}

// clip cuts a text at a word so that it has at most that many characters, and takes out what a
// lesson may not hold.
func clip(text string, most int) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return ' '
		}
		return r
	}, text)
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	cut := string(runes[:most-4])
	if i := strings.LastIndexByte(cut, ' '); i > 0 {
		cut = cut[:i]
	}
	return cut + " ..."
}

func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// lower writes the beginning of a sentence that goes on behind a colon. Names keep their letters.
func lower(text string) string {
	for _, start := range []string{"The ", "At "} {
		if strings.HasPrefix(text, start) {
			return strings.ToLower(text[:1]) + text[1:]
		}
	}
	return text
}
