package replay

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// PointKind says what a Point is.
type PointKind uint8

const (
	StagePoint PointKind = iota + 1
	MarkPoint
	FindingPoint // of a broken rule
)

// Point is a moment that somebody may want to go to.
type Point struct {
	At     capture.Stamp
	End    capture.Stamp // of a stage or a finding; At for a mark
	Kind   PointKind
	Name   string // of the stage, the mark or the rule
	Corner decode.Corner
	Text   string
	Danger bool
}

// Survey is what one pass over a session tells before it is played.
type Survey struct {
	Start, End capture.Stamp
	Frames     uint64
	Points     []Point // by At
}

// Look reads a source to its end as fast as it goes and feeds the pipeline with it. The error is that
// of ctx or of the source; what was read before it is in the Survey.
func Look(ctx context.Context, src capture.Source, p *safety.Pipeline) (Survey, error) {
	var s Survey
	err := capture.Each(ctx, src, func(b *capture.Batch) {
		s.follow(b)
		p.Take(b)
	})
	p.Finish()
	s.End = max(s.End, p.Judge.Now())
	s.Points = points(p.Judge)
	return s, err
}

func (s *Survey) follow(b *capture.Batch) {
	s.Frames += uint64(len(b.Frames))
	if len(b.Frames) > 0 {
		if s.Start == 0 {
			s.Start = b.Frames[0].At
		}
		s.End = max(s.End, b.Frames[len(b.Frames)-1].At)
	}
}

// points lists the stages, marks and broken rules of a session.
func points(j *safety.Judge) []Point {
	var all []Point
	for _, s := range j.Stages() {
		p := Point{At: s.Start, End: s.End, Kind: StagePoint, Name: s.Name, Text: s.Name}
		if len(s.Corners) == 1 {
			p.Corner = s.Corners[0]
		}
		all = append(all, p)
	}
	for _, m := range j.Marks() {
		all = append(all, Point{At: m.At, End: m.At, Kind: MarkPoint, Name: m.Name, Corner: m.Corner, Text: strings.TrimSpace(m.Name + " " + m.Note)})
	}
	for _, f := range j.Findings() {
		if f.Outcome == safety.Broken {
			all = append(all, Point{At: f.Start, End: f.End, Kind: FindingPoint, Name: f.Rule.Name, Corner: f.Corner, Text: f.Summary,
				Danger: f.Rule.Severity == safety.Danger})
		}
	}
	slices.SortStableFunc(all, func(a, b Point) int { return cmp.Compare(a.At, b.At) })
	return all
}

// Next returns the first point of one of the kinds later than at.
func (s *Survey) Next(at capture.Stamp, kinds ...PointKind) (Point, bool) {
	i := slices.IndexFunc(s.Points, func(p Point) bool { return p.At > at && slices.Contains(kinds, p.Kind) })
	if i < 0 {
		return Point{}, false
	}
	return s.Points[i], true
}

// Find returns the time that a text names: a time since the start of the session (00:33:20, 2:05,
// 90s), a time of day in full (RFC 3339), or the name of a mark, a stage or a broken rule, with its
// corner (`line-open@rear-left`) and its number (`bled#2`) where there are several. Without a number
// it is the first.
func (s *Survey) Find(text string) (capture.Stamp, error) {
	if d, ok := parseOffset(text); ok {
		return s.Start.Add(d), nil
	}
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return capture.StampOf(t), nil
	}
	rest, number, err := cutNumber(text)
	if err != nil {
		return 0, err
	}
	name, cornerName, _ := strings.Cut(rest, "@")
	corner, ok := decode.ParseCorner(cornerName)
	if !ok {
		return 0, fmt.Errorf("%q: %q is no corner", text, cornerName)
	}
	found := 0
	for _, p := range s.Points {
		if p.Name == name && (corner == decode.NoCorner || p.Corner == corner) {
			if found++; found == number {
				return p.At, nil
			}
		}
	}
	return 0, s.notFound(text, found)
}

func cutNumber(text string) (rest string, number int, err error) {
	rest, digits, given := strings.Cut(text, "#")
	if !given {
		return rest, 1, nil
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n < 1 {
		return "", 0, fmt.Errorf("%q: %q is no number from 1 on", text, digits)
	}
	return rest, n, nil
}

func (s *Survey) notFound(text string, found int) error {
	if found > 0 {
		return fmt.Errorf("%q: the session has only %d of it", text, found)
	}
	var names []string
	for _, p := range s.Points {
		if !slices.Contains(names, p.Name) {
			names = append(names, p.Name)
		}
	}
	if len(names) == 0 {
		return fmt.Errorf("%q is no time, and the session has no stage, mark or broken rule", text)
	}
	return fmt.Errorf("%q is no time, and no stage, mark or broken rule of this session, expected one of %s", text, strings.Join(names, ", "))
}

// parseOffset reads 00:33:20, 33:20, with a fraction or without, or a duration such as 90s.
func parseOffset(text string) (time.Duration, bool) {
	if d, err := time.ParseDuration(text); err == nil {
		return d, d >= 0
	}
	parts := strings.Split(text, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return 0, false
	}
	var d time.Duration
	for _, p := range parts[:len(parts)-1] {
		n, err := strconv.ParseUint(p, 10, 16)
		if err != nil {
			return 0, false
		}
		d = d*60 + time.Duration(n)
	}
	seconds, err := strconv.ParseFloat(parts[len(parts)-1], 64)
	if err != nil || !(seconds >= 0 && seconds < 60) {
		return 0, false
	}
	return d*60*time.Second + time.Duration(seconds*float64(time.Second)), true
}

// How a session is squeezed into a given time: the moments of danger, or else the descents, get half
// of it.
const (
	leadIn  = 12 * time.Second // of the session, before a moment that matters
	leadOut = 20 * time.Second
)

// Within plans the speeds by which the whole session takes at most total, slower where it matters:
// around a danger, or else around the descents.
func (s *Survey) Within(total time.Duration) Pace {
	windows := s.moments()
	slow := time.Duration(0)
	for _, w := range windows {
		slow += between(w.From, w.To)
	}
	rest := between(s.Start, s.End) - slow
	if rest+slow <= total {
		return Pace{{s.End, 1}}
	}
	share := min(total/2, slow) // of the wall's time, for the moments: never slower than they were
	slowly, quickly := rate(slow, share), rate(rest, total-share)
	var plan Pace
	for _, w := range windows {
		plan = append(plan, Leg{w.From, max(quickly, slowly)}, Leg{w.To, slowly})
	}
	return append(plan, Leg{s.End, max(quickly, slowly)})
}

func rate(way, in time.Duration) float64 {
	if in <= 0 {
		return 1
	}
	return max(float64(way)/float64(in), Slowest)
}

// moments returns the stretches that matter, in order and apart.
func (s *Survey) moments() []Gap {
	var all []Gap
	for _, danger := range []bool{true, false} {
		for _, p := range s.Points {
			if danger && p.Danger || !danger && p.Kind == StagePoint && p.Name == safety.StageLowering {
				all = append(all, Gap{max(p.At.Add(-leadIn), s.Start), min(p.At.Add(leadOut), s.End)})
			}
		}
		if len(all) > 0 {
			break
		}
	}
	merged := all[:0]
	for _, w := range all {
		if n := len(merged); n > 0 && w.From <= merged[n-1].To {
			merged[n-1].To = max(merged[n-1].To, w.To)
		} else {
			merged = append(merged, w)
		}
	}
	return merged
}
