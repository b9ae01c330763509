package review

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// WriteCompareText writes a comparison for a terminal, columns wide.
func WriteCompareText(w io.Writer, c *Comparison, columns int) error {
	t := &textPage{r: c.reviews[0], columns: max(columns, leastWidth)}
	t.side("first ", c.A)
	t.side("second", c.B)
	if !c.Comparable {
		t.line("")
		t.line("not compared, because")
		for _, why := range c.Reasons {
			t.para("   ", "   ", why+".")
		}
		return t.end(w)
	}
	t.line("")
	if len(c.Differences) == 0 {
		t.line("Nothing differs by more than its uncertainty.")
	} else {
		t.line("what differs")
		for _, d := range c.Differences {
			t.para("   ", "   ", capital(d)+".")
		}
	}
	t.pairs(c)
	t.between(c)
	return t.end(w)
}

func (t *textPage) side(which string, s Side) {
	label := s.Label
	if label == "" {
		label = "no label"
	}
	t.para(which+"  ", "        ", fmt.Sprintf("%s, %s, origin %s, %s; outcome %s", clean(s.File), label, OriginWords(s.Origin), s.Integrity, s.Outcome))
}

// pairs lists the stages of both, as far as they have figures.
func (t *textPage) pairs(c *Comparison) {
	if len(c.Stages) == 0 {
		return
	}
	t.line("")
	t.line("stage by stage")
	for _, p := range c.Stages {
		head := strings.TrimSpace(p.Stage + " " + strings.Join(p.Corners, ", "))
		t.para("   ", "     ", fmt.Sprintf("%s: first %s; second %s", head, stageWords(p.A), stageWords(p.B)))
	}
}

func stageWords(s *StageAt) string {
	if s == nil {
		return "none"
	}
	text := time.Duration(s.Seconds * float64(time.Second)).Round(time.Second).String()
	if s.FromBar != nil && s.ToBar != nil {
		text += fmt.Sprintf(", %.2f to %.2f bar gauge", *s.FromBar, *s.ToBar)
	}
	return text
}

// between says how the vehicle sank from one session to the other.
func (t *textPage) between(c *Comparison) {
	t.line("")
	t.line("between the two")
	if c.SagNote != "" {
		t.para("   ", "   ", capital(c.SagNote)+".")
		return
	}
	for _, s := range c.Sag {
		t.para("   worked out ", "              ", s.Sentence)
		for _, cause := range s.Causes {
			t.para("              ", "                ", partWords(cause))
		}
		if s.Note != "" {
			t.para("              ", "              ", s.Note)
		}
	}
}

// end writes the page with the caution under it.
func (t *textPage) end(w io.Writer) error {
	t.line("")
	t.para("", "", clean(Caution))
	_, err := io.WriteString(w, t.b.String())
	return err
}

// partWords writes one part of a drop.
func partWords(c Cause) string {
	text := fmt.Sprintf("%s %.1f mm (%.1f to %.1f)", causeWords(c.Cause), c.MM, c.LowMM, c.HighMM)
	if c.Note != "" {
		text += ", " + c.Note
	}
	return text
}
