package safety

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
)

// timelineFiles lists every timeline but those that skip names.
func timelineFiles(t *testing.T, skip ...string) []string {
	t.Helper()
	files, err := filepath.Glob("testdata/*/*.txtar")
	require.NoError(t, err)
	files = slices.DeleteFunc(files, func(path string) bool {
		return slices.ContainsFunc(skip, func(s string) bool { return strings.Contains(path, s) })
	})
	require.NotEmpty(t, files)
	return files
}

// drawTimeline draws one of the timelines; each is read once.
func drawTimeline(t *testing.T, files []string) func(*rapid.T) *timeline {
	t.Helper()
	read := map[string]*timeline{}
	return func(rt *rapid.T) *timeline {
		path := rapid.SampledFrom(files).Draw(rt, "timeline")
		if read[path] == nil {
			read[path] = readTimeline(t, path)
		}
		return read[path]
	}
}

// feed runs steps through a judge of its own.
func (tl *timeline) feed(steps []step) *Judge {
	j := NewJudge(tl.signals, tl.card, tl.ask)
	for i := range steps {
		steps[i].feed(j)
	}
	j.Finish()
	return j
}

// feedTo is feed for a recording that ends where the whole timeline does.
func (tl *timeline) feedTo(steps []step) *Judge {
	j := NewJudge(tl.signals, tl.card, tl.ask)
	for i := range steps {
		steps[i].feed(j)
	}
	j.Tick(tl.steps[len(tl.steps)-1].at)
	j.Finish()
	return j
}

// said is a verdict of one pass after the judge has checked it.
type said struct {
	pass    int
	verdict Verdict
	checked Finding
}

// saidBy returns every verdict of a judge, hidden ones too.
func saidBy(j *Judge) []said {
	var all []said
	for i, p := range j.passes {
		for _, v := range p.verdicts {
			all = append(all, said{i, v, j.check(p, v)})
		}
	}
	return all
}

// TestHazard16PrefixesAgree cuts recordings short. Whatever the shorter one held or found broken, of
// something that was over before the cut, the longer one says too, or else it says why not.
func TestHazard16PrefixesAgree(t *testing.T) {
	draw := drawTimeline(t, timelineFiles(t, "taken-back"))
	rapid.Check(t, func(rt *rapid.T) {
		tl := draw(rt)
		cut := rapid.IntRange(1, len(tl.steps)).Draw(rt, "cut")
		short, long := tl.feed(tl.steps[:cut]), tl.feed(tl.steps)
		later := saidBy(long)
		for _, s := range saidBy(short) {
			over := s.verdict.End < short.vehicle.now
			if s.checked.Outcome == CannotTell || !over || s.checked.Rule.Severity == Advice {
				continue
			}
			agreed(rt, s, later)
		}
	})
}

// agreed demands that a verdict is among the later ones, unchanged, or denied with a sentence that
// quotes it. What was held of a stretch that went on may be held or not of the longer one; what was
// broken stays so, and may last longer.
func agreed(t *rapid.T, s said, later []said) {
	for _, l := range later {
		if l.pass != s.pass || l.verdict.Start != s.verdict.Start {
			continue
		}
		wentOn := l.verdict.End > s.verdict.End
		if wentOn && s.verdict.Outcome == Held {
			return
		}
		if l.verdict.End < s.verdict.End || l.verdict.Outcome != s.verdict.Outcome {
			continue
		}
		if l.checked.Outcome != s.checked.Outcome {
			require.Equal(t, CannotTell, l.checked.Outcome)
			require.Contains(t, l.checked.Note, l.verdict.Summary, "the longer recording says why")
		}
		return
	}
	t.Fatalf("%s said %s: %s; a longer recording does not", s.checked.Rule.Name, s.checked.Outcome, s.verdict.Summary)
}

// TestHazard16AlarmsStand holds each live alarm against the review of the same recording: it is still
// broken there, or denied with a sentence that quotes it.
func TestHazard16AlarmsStand(t *testing.T) {
	alarms := 0
	for _, path := range timelineFiles(t, "taken-back") {
		tl := readTimeline(t, path)
		j := NewJudge(tl.signals, tl.card, tl.ask)
		var rung []Finding
		j.Alarm = func(f Finding) { rung = append(rung, f) }
		for i := range tl.steps {
			tl.steps[i].feed(j)
		}
		j.Finish()
		findings := j.Findings()
		for _, a := range rung {
			alarms++
			require.True(t, slices.ContainsFunc(findings, func(f Finding) bool {
				return f.Rule == a.Rule && f.Corner == a.Corner && f.Axle == a.Axle && f.Start == a.Start &&
					(f.Outcome == Broken || f.Outcome == CannotTell && strings.Contains(f.Note, a.Summary))
			}), "%s: %s", path, a.Summary)
		}
	}
	require.Greater(t, alarms, 50)
}

// TestHazard13ShiftedStampsSayTheSame moves a whole recording in time.
func TestHazard13ShiftedStampsSayTheSame(t *testing.T) {
	draw := drawTimeline(t, timelineFiles(t, "spring-past-date"))
	rapid.Check(t, func(rt *rapid.T) {
		tl := draw(rt)
		by := capture.Stamp(rapid.Int64Range(-40*365*86400, 40*365*86400).Draw(rt, "seconds")) * 1e9
		moved := make([]step, len(tl.steps))
		for i, s := range tl.steps {
			moved[i] = s.moved(by)
		}
		require.Equal(rt, describeAll(tl.feed(tl.steps), 0), describeAll(tl.feed(moved), by))
	})
}

func (s step) moved(by capture.Stamp) step {
	s.at += by
	switch {
	case s.sample != nil:
		c := *s.sample
		c.At += by
		s.sample = &c
	case s.event != nil:
		c := *s.event
		c.At += by
		s.event = &c
	case s.talk != nil:
		c := *s.talk
		c.At += by
		c.Exchange.Asked.Start += by
		c.Exchange.Asked.End += by
		c.Exchange.Decided += by
		if len(c.Exchange.Answered.Payload) > 0 {
			c.Exchange.Answered.Start += by
			c.Exchange.Answered.End += by
		}
		s.talk = &c
	}
	return s
}

func describeAll(j *Judge, by capture.Stamp) []string {
	var all []string
	for _, f := range j.Findings() {
		f.Start -= by
		all = append(all, f.Rule.Name+" "+describe(f))
	}
	return all
}

// TestMissingSamplesNeverHold takes samples away: one signal, or a stretch of one or of all. What was
// not held at any time before is not held then, but for what was denied by a signal that contradicted
// itself: that may be among what is missing.
func TestMissingSamplesNeverHold(t *testing.T) {
	draw := drawTimeline(t, timelineFiles(t))
	rapid.Check(t, func(rt *rapid.T) {
		tl := draw(rt)
		left := tl.thinned(rt)
		whole := saidBy(tl.feed(tl.steps))
		for _, s := range saidBy(tl.feedTo(left)) {
			if s.checked.Outcome != Held || s.checked.Rule.Severity == Advice {
				continue
			}
			if !slices.ContainsFunc(whole, func(o said) bool {
				return o.pass == s.pass && (o.checked.Outcome == Held || o.checked.Reason == IsContradicted)
			}) {
				rt.Fatalf("held only once samples were missing: %s", s.checked.Summary)
			}
		}
	})
}

// begun is how many seconds at the start stay as they are: a signal that is heard for the first time
// later on makes another recording, of which other things are true.
const begun = 1.5

// thinned returns the steps without the samples of a drawn signal (-1: any) in a drawn stretch. A signal
// that stays fresh across the stretch keeps its samples: by the rules' own definition it misses none.
func (tl *timeline) thinned(t *rapid.T) []step {
	signal := rapid.IntRange(-1, len(tl.signals)-1).Draw(t, "signal")
	last := tl.steps[len(tl.steps)-1].at.Sub(timelineStart).Seconds()
	from, to := 0.0, last+1
	if rapid.Bool().Draw(t, "stretch") {
		from = rapid.Float64Range(min(begun, last), last).Draw(t, "from")
		to = from + rapid.Float64Range(0, last).Draw(t, "length")
	}
	fresh := make([]bool, len(tl.signals))
	for i := range fresh {
		fresh[i] = tl.staysFresh(decode.SignalIndex(i), stampAt(from), stampAt(to))
	}
	return slices.DeleteFunc(slices.Clone(tl.steps), func(s step) bool {
		return s.sample != nil && (signal < 0 || s.sample.Signal == decode.SignalIndex(signal)) && !fresh[s.sample.Signal] &&
			s.at >= stampAt(from) && s.at < stampAt(to)
	})
}

// staysFresh reports whether a signal without its samples from one time to the other has no gap.
func (tl *timeline) staysFresh(signal decode.SignalIndex, from, to capture.Stamp) bool {
	var rhythm decode.Rhythm
	var last capture.Stamp
	for _, s := range tl.steps {
		switch {
		case s.sample == nil || s.sample.Signal != signal || s.sample.Status != decode.StatusValid:
		case s.at < from:
			rhythm.Add(s.at)
			last = s.at
		case s.at >= to:
			return last != 0 && s.at.Sub(last) <= rhythm.Gap()
		}
	}
	return false
}
