package classroom

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

// StopError says that a stop of a lesson does not come in the session that is played.
type StopError struct {
	Place   string // file:line:column of the stop's moment
	Problem string
	Want    string
}

// Error returns 'early.yaml:8:9: at: ...'.
func (e *StopError) Error() string {
	return fmt.Sprintf("%s: at: %s, expected %s", e.Place, e.Problem, e.Want)
}

// bind finds the stops of a lesson in a course, in the order of their times. The error joins a
// *StopError for each stop that never comes: a class would wait for it in vain.
func bind(l *Lesson, c *Course) ([]bound, error) {
	var all []bound
	var errs []error
	for i := range l.Stops {
		b, err := c.find(&l.Stops[i])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		all = append(all, b)
	}
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	slices.SortStableFunc(all, func(a, b bound) int { return cmp.Compare(a.at, b.at) })
	return all, nil
}

// find returns the time of a stop.
func (c *Course) find(s *Stop) (bound, error) {
	b := bound{Stop: s}
	m := s.At
	switch {
	case m.Timed:
		if m.Time > c.End.Sub(c.Start) {
			return b, &StopError{s.place, fmt.Sprintf("the session is over before %s", sessionTime(m.Time)),
				"a time up to " + sessionTime(c.End.Sub(c.Start))}
		}
		b.eventFrom = c.Start.Add(m.Time)
		b.eventTo = b.eventFrom
	case m.Mark != "":
		at, names := c.marks(m)
		if at == 0 {
			return b, &StopError{s.place, fmt.Sprintf("mark %s%s does not come in this session", m.Mark, ofCorner(m)), oneOf(names, "mark")}
		}
		b.eventFrom, b.eventTo = at, at
	default:
		from, to, names := c.findings(m)
		if from == 0 {
			return b, &StopError{s.place, fmt.Sprintf("finding %s%s (%s) does not come in this session", m.Finding, ofCorner(m), m.Outcome),
				oneOf(names, "finding")}
		}
		b.eventFrom, b.eventTo = from, to
	}
	b.at = max(c.Start, b.eventFrom.Add(-s.Before))
	return b, nil
}

func ofCorner(m Moment) string {
	text := ""
	if m.Corner != decode.NoCorner {
		text = " at " + m.Corner.String()
	}
	if m.Number > 1 {
		text += fmt.Sprintf(" number %d", m.Number)
	}
	return text
}

// marks returns the time of the mark that m means, 0 where there is none, and the names there are.
func (c *Course) marks(m Moment) (capture.Stamp, []string) {
	var names []string
	n := 0
	for i := range c.Marks {
		mark := &c.Marks[i]
		if !slices.Contains(names, mark.Name) {
			names = append(names, mark.Name)
		}
		if mark.Name != m.Mark || m.Corner != decode.NoCorner && mark.Corner != m.Corner {
			continue
		}
		if n++; n == m.Number {
			return mark.At, nil
		}
	}
	return 0, names
}

// findings returns the stretch of the finding that m means, 0 where there is none, and the findings
// there are.
func (c *Course) findings(m Moment) (from, to capture.Stamp, names []string) {
	var found []span
	for i := range c.Findings {
		f := &c.Findings[i]
		if f.Outcome != m.Outcome {
			continue
		}
		if name := f.Rule.Name; !slices.Contains(names, name) {
			names = append(names, name)
		}
		if f.Rule.Name == m.Finding && (m.Corner == decode.NoCorner || f.Corner == m.Corner) {
			found = append(found, span{f.Start, f.End})
		}
	}
	slices.SortStableFunc(found, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	if len(found) < m.Number {
		return 0, 0, names
	}
	s := found[m.Number-1]
	return s.from, s.to, nil
}

// oneOf lists what there is in place of what was asked for.
func oneOf(names []string, kind string) string {
	if len(names) == 0 {
		return "another moment: it has no such " + kind
	}
	return "one of " + strings.Join(names, ", ")
}

// sessionTime writes a time since the session's start: mm:ss, from an hour on h:mm:ss.
func sessionTime(d time.Duration) string {
	s := int(max(d, 0) / time.Second)
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%02d:%02d", s/60, s%60)
}
