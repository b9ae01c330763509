package prepare

import (
	"fmt"
	"math"
	"strings"

	"ridewitness/safety/review"
)

// provesNothing stands at the end of every report, in JSON too.
const provesNothing = "None of this proves anything about the lift, the vehicle or what hands do."

// caution returns what every report ends with, in one line.
func caution() string { return provesNothing + " " + strings.ReplaceAll(review.Caution, "\n", " ") }

// flags stand before a check, with their meaning under the report's head.
var flags = [...]string{Unknown: " ? ", NeedsDoing: "DO ", NothingFound: " - "}

// nameColumns is the room for the name of a check.
const nameColumns = 14

// Text writes the report for a terminal of that many columns: what needs doing is said once in its place
// and named again at the end, where the eye is.
func (r *Report) Text(columns int) string {
	p := page{columns: max(columns, 40)}
	p.put("", "", "Before the job, "+r.At)
	p.put("", "", "DO needs doing   ? not known   - nothing found")
	before := ""
	for i := range r.Checks {
		c := &r.Checks[i]
		if i == 0 || c.About != before {
			p.line("")
			if c.About != "" {
				p.put("", "", c.About)
			}
		}
		before = c.About
		p.check(c)
	}
	p.line("")
	p.summary(r)
	p.line("")
	for line := range strings.SplitSeq(review.Caution, "\n") {
		p.put("", "", line)
	}
	return p.b.String()
}

// page gathers lines.
type page struct {
	b       strings.Builder
	columns int
}

func (p *page) line(text string) {
	p.b.WriteString(strings.TrimRight(text, " "))
	p.b.WriteByte('\n')
}

// put writes a paragraph: first before its first line, rest before the others.
func (p *page) put(first, rest, text string) {
	for _, line := range review.Paragraph(first, rest, text, p.columns) {
		p.line(line)
	}
}

func (p *page) check(c *Check) {
	flag := flags[Unknown]
	if int(c.State) < len(flags) {
		flag = flags[c.State]
	}
	rest := strings.Repeat(" ", len(flag)+nameColumns)
	p.put(fmt.Sprintf("%s%-*s ", flag, nameColumns-1, c.Name), rest, c.Says)
	if c.Do != "" {
		p.put(rest, rest, "-> "+c.Do)
	}
	for _, command := range c.Commands {
		p.command(rest, command)
	}
}

// command writes a command, which people copy: it is never broken over lines.
func (p *page) command(before, text string) {
	p.line(review.Paragraph(before+"   ", "", text, math.MaxInt32)[0])
}

// summary says what needs doing, and never that work may begin.
func (p *page) summary(r *Report) {
	if r.Findings > 0 {
		p.put("", "  ", fmt.Sprintf("%s: %s.", many(r.Findings, "thing needs doing", "things need doing"), strings.Join(r.about(NeedsDoing), ", ")))
	} else {
		p.put("", "  ", "Nothing was found by these checks.")
	}
	if r.Unknown > 0 {
		p.put("", "  ", fmt.Sprintf("%s: %s.", many(r.Unknown, "thing is not known", "things are not known"), strings.Join(r.about(Unknown), ", ")))
	}
	p.put("", "", provesNothing+" 'ridewitness help cautions' says more.")
}
