package terminal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/replay"
	"ridewitness/replay/scenario/scenariotest"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// recorded is a simulated job in memory.
type recorded struct{ *scenariotest.Job }

func job(t testing.TB, name string) *recorded {
	t.Helper()
	return &recorded{scenariotest.Of(t, name)}
}

func (r *recorded) open() (capture.Source, error) {
	return &capture.Slice{Frames: r.Whole.Frames, Events: r.Whole.Events}, nil
}

func (r *recorded) pipeline() (*safety.Pipeline, error) {
	return safety.NewPipeline(r.Signals, r.Card, nil)
}

func (r *recorded) show() Show {
	return Show{Open: r.open, Pipeline: r.pipeline,
		Facts: Facts{Mode: Simulation, Origin: "simulated", Label: r.Card.Label, Keys: ReplayKeys}}
}

// broke lists the broken rules of danger, with their corners.
func broke(p *safety.Pipeline) []string {
	var all []string
	for _, f := range p.Judge.Findings() {
		if f.Outcome == safety.Broken && f.Rule.Severity == safety.Danger {
			all = append(all, f.Rule.Name+" "+f.Corner.String())
		}
	}
	return all
}

// follow plays a job as fast as it goes and calls look after each batch.
func follow(t testing.TB, name string, look func(State)) *safety.Pipeline {
	t.Helper()
	r := job(t, name)
	pipe, err := r.pipeline()
	require.NoError(t, err)
	f := Follow(pipe, Facts{Origin: "simulated"})
	src, _ := r.open()
	b := capture.NewBatch()
	for src.Next(t.Context(), b) == nil {
		f.Take(b)
		look(f.State(0))
	}
	f.Finish()
	return pipe
}

// The early job, as the screen tells it: the standing line from the bleed on, the danger while the
// body comes down, the line that stays.
func TestHazard05StandingLineBeforeTheDanger(t *testing.T) {
	var stood, dangers, over, calmBefore bool
	follow(t, "early", func(s State) {
		line := s.StandingLine()
		rearRight := strings.Contains(line, "rear-right")
		switch d := s.danger(); {
		case d != nil:
			require.True(t, stood, "the standing line came first")
			require.Equal(t, decode.RearRight, d.Corner)
			require.Contains(t, d.Head, "STOP LOWERING")
			require.True(t, rearRight, line)
			dangers = true
		case len(s.Dangers) > 0:
			require.True(t, dangers)
			over = true
		case rearRight && strings.Contains(line, "bled"):
			stood = true
		case line == noWarning && !stood:
			calmBefore = true // its pressures were seen before the job began
		case stood && s.Stage.Name == "hanging":
			require.True(t, rearRight, "it is never forgotten while it hangs empty: %q at %s", line, clock(s.Start, s.Now))
		}
	})
	require.True(t, calmBefore && stood && dangers && over)
}

// A proper job rings nothing and ends with nothing against it.
func TestHazard04ProperJobRingsNothing(t *testing.T) {
	for _, name := range []string{"proper", "jack"} {
		var last State
		follow(t, name, func(s State) {
			require.Empty(t, s.Dangers, "%s at %s", name, clock(s.Start, s.Now))
			last = s
		})
		require.Equal(t, noWarning, last.StandingLine(), name)
	}
}

// What a crushed bellows reads clears nothing (2.0 bar in a spring that was closed empty).
func TestHazard02SqueezedProvesNothing(t *testing.T) {
	squeezed := false
	follow(t, "crushed", func(s State) {
		if c := &s.Corners[3]; c.Squeezed && c.Pressure.Fresh() && c.Pressure.Last.Value > 1.2 {
			squeezed = true
			require.Contains(t, s.StandingLine(), "rear-right", "at %s", clock(s.Start, s.Now))
			require.Contains(t, s.StandingLine(), "(squeezed)")
		}
	})
	require.True(t, squeezed, "the job has such a moment")
}

// Every descent on to a spring that was not seen filled warns, whatever is known of its pressure.
func TestHazard10UnprovenDescentWarns(t *testing.T) {
	for _, name := range []string{"early", "crushed", "stale", "blind", "no-pressure", "swapped", "frozen"} {
		warned := false
		follow(t, name, func(s State) { warned = warned || len(s.Dangers) > 0 })
		require.True(t, warned, name)
	}
}

// No bus, no picture of calm: an hour without a frame is blind, and says since when.
func TestHazard07SilenceIsBlind(t *testing.T) {
	r := job(t, "early")
	pipe, err := r.pipeline()
	require.NoError(t, err)
	f := Follow(pipe, Facts{})
	f.Take(&capture.Batch{Frames: r.Whole.Frames[:5000], Events: r.Whole.Events[:3]})
	seen := f.State(0)
	require.Equal(t, Watching, seen.Sight)
	later := f.State(seen.Now.Add(time.Hour))
	require.Equal(t, Blind, later.Sight)
	require.Equal(t, "no frame on any bus 1:00:00", later.Why)
	require.Len(t, later.Unseen, 8)
	require.NotContains(t, later.StandingLine(), noWarning)
	_, sound := later.GoingDown()
	require.True(t, sound)
}

func TestHazard10AdapterLostOverAnEmptyCorner(t *testing.T) {
	r := job(t, "early")
	pipe, err := r.pipeline()
	require.NoError(t, err)
	f := Follow(pipe, Facts{})
	alarms := 0
	f.Alarm = func(State) { alarms++ }
	src, _ := r.open()
	b := capture.NewBatch()
	for src.Next(t.Context(), b) == nil {
		f.Take(b)
		if s := f.State(0); strings.Contains(s.StandingLine(), "least 1.00; bled") {
			break
		}
	}
	now := f.State(0).Now
	link := func(at capture.Stamp, state string) {
		body := fmt.Sprintf(`{"kind":"link","bus":"can0","state":%q}`, state)
		f.Take(&capture.Batch{Events: []capture.Event{{At: at, Kind: capture.EventJournal, Name: session.KindLink, Body: []byte(body)}}})
	}
	link(now, "gone")
	link(now, "gone")
	s := f.State(now.Add(3 * time.Second))
	require.Equal(t, 1, alarms)
	require.Equal(t, Blind, s.Sight)
	require.Equal(t, "adapter lost 3.0 s", s.Why)
	require.Contains(t, strings.Join(Draw(&s, 80, 24, Options{}).Text(), "\n"), "!! BLIND  ADAPTER LOST, REAR-LEFT HANGS EMPTY. DO NOT LOWER.")
	f.Silence(s.Now)
	f.Told(&s.Dangers[0], 200*time.Millisecond)
	s = f.State(0)
	require.Equal(t, 200*time.Millisecond, s.Dangers[0].Told)
	require.Equal(t, s.Now, s.Dangers[0].Silenced)
	link(s.Now, "error-active")
	require.Nil(t, func() *Danger { s := f.State(0); return s.danger() }())
}

// A mark that is taken back takes its warning with it.
func TestTakenBackMarkTakesItsDanger(t *testing.T) {
	card, err := jobcard.Load("card", []byte("version: 1\nsprings: {rear: {corners: [rear-left, rear-right], least_pressure: 1 bar}}\n"))
	require.NoError(t, err)
	pipe, err := safety.NewPipeline(nil, card, nil)
	require.NoError(t, err)
	f := Follow(pipe, Facts{})
	mark := func(second int, record uint64, body string) {
		f.Take(&capture.Batch{Events: []capture.Event{{At: start.Add(time.Duration(second) * time.Second), Kind: capture.EventJournal, Name: "mark", Record: record, Body: []byte(body)}}})
	}
	mark(0, 1, `{"name":"bled","corner":"rear-left"}`)
	s := f.State(0)
	require.Contains(t, s.StandingLine(), "rear-left bled 00:00:00, no fill answered since; it has no pressure signal.", "H06")
	mark(10, 2, `{"name":"going-down"}`)
	s = f.State(0)
	require.Len(t, s.Dangers, 1)
	require.Contains(t, s.Events[1].Text+s.Events[2].Text, "Do not lower: rear-left bled", "'going down' is answered")
	mark(20, 3, `{"name":"take-back","value":"J2"}`)
	require.Empty(t, f.State(0).Dangers)
	mark(30, 4, `{"name":"filled","corner":"rear-left","by":"K. Example"}`)
	s = f.State(0)
	require.Contains(t, s.StandingLine(), "Said, not seen: rear-left is filled (K. Example, 00:00:30).")
	require.Contains(t, s.StandingLine(), "before this recording unknown; rear-right not yet seen", "H08")
	mark(40, 5, `{"name":"take-back","value":"J4"}`)
	s = f.State(0)
	require.NotContains(t, s.StandingLine(), "Said")
}

// pipeTo plays a show into a pipe and returns what was written.
func pipeTo(t *testing.T, sh Show) string {
	t.Helper()
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer r.Close()
	sh.Terminal = Detect(w, w, func(string) string { return "" }, false)
	require.False(t, sh.Terminal.Full)
	var out bytes.Buffer
	read := make(chan error)
	go func() { _, err := io.Copy(&out, r); read <- err }()
	_, err = sh.Play(t.Context())
	require.NoError(t, err)
	require.NoError(t, w.Close())
	require.NoError(t, <-read)
	return out.String()
}

// Into a pipe go sentences, one a line: no escape byte, no word of approval, the danger and its end.
func TestPipeGetsSentences(t *testing.T) {
	text := pipeTo(t, job(t, "early").show())
	require.NotRegexp(t, forbidden, text)
	for _, r := range text {
		require.True(t, r == '\n' || r >= ' ' && r < 0x7f, "%q: the locale says nothing of UTF-8", r)
	}
	lines := strings.Split(strings.TrimSpace(text), "\n")
	require.Equal(t, "Witness, not an interlock. Maker's instructions come first. Stored air injures.", lines[0])
	var dangers []string
	for _, line := range lines[1:] {
		require.Regexp(t, `^\d\d:\d\d:\d\d [A-Za-z]`, line)
		if strings.Contains(line[:20], " DANGER ") {
			dangers = append(dangers, line)
		}
	}
	require.Contains(t, dangers[0], "DANGER rear-right is coming down on an empty spring. Stop lowering. Last 0.42 bar before it closed, least 1.00")
	require.Contains(t, text, "DANGER over: rear-right came down on an empty spring. The finding stays.")
	require.Contains(t, text, "DANGER rear-right stood on a spring")
	require.Contains(t, text, "origin simulated")
	require.Contains(t, text, "Do not lower: rear-right")
}

// Danger repeats every 5 s of the session while it lasts, the state every minute.
func TestLinesRepeatWhatLasts(t *testing.T) {
	var out strings.Builder
	l := &Lines{Out: &out}
	s := comingDown()
	for i := range s.Events {
		s.Events[i].Number = uint64(i + 1)
	}
	for range 12 {
		require.NoError(t, l.Update(s))
		s.Now = s.Now.Add(time.Second)
	}
	require.Equal(t, 2, strings.Count(out.String(), "DANGER still so"))
	s.Dangers[0].Until = s.Now
	for range 120 {
		require.NoError(t, l.Update(s))
		s.Now = s.Now.Add(time.Second)
	}
	require.Equal(t, 1, strings.Count(out.String(), "DANGER over"))
	require.Equal(t, 3, strings.Count(out.String(), " state WATCHING"))
	require.Equal(t, 1, strings.Count(out.String(), "mark going-down"))
	l.Out = broken{}
	s.Now = s.Now.Add(time.Hour)
	require.ErrorIs(t, l.Update(s), io.ErrClosedPipe)
	l.Out = &out
	require.ErrorIs(t, l.Update(s), io.ErrClosedPipe, "it stays")
}

// Without a terminal a demonstration does its work and shows nothing.
func TestDemoWithoutATerminal(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	sh := job(t, "early").show()
	sh.Terminal = Detect(r, w, func(string) string { return "" }, false)
	pipe, err := Demo(t.Context(), sh, 40*time.Second)
	require.NoError(t, err)
	require.Contains(t, broke(pipe), "lowered-without-pressure rear-right")
	require.NoError(t, w.Close())
	text, err := io.ReadAll(r)
	require.NoError(t, err)
	require.Empty(t, text)
}

func TestPlayErrors(t *testing.T) {
	failed := errors.New("broken")
	sh := job(t, "early").show()
	sh.Open = func() (capture.Source, error) { return nil, failed }
	_, err := sh.Play(t.Context())
	require.ErrorIs(t, err, failed)
	_, err = Demo(t.Context(), sh, time.Second)
	require.ErrorIs(t, err, failed)
	sh = job(t, "early").show()
	sh.Pipeline = func() (*safety.Pipeline, error) { return nil, failed }
	_, err = sh.Play(t.Context())
	require.ErrorIs(t, err, failed)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	sh = job(t, "early").show()
	_, err = sh.Play(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

// A key that comes before the first round has begun ends it all the same.
func TestQuitBeforeTheBeginning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sh := job(t, "early").show()
		sh.Speed, sh.Whole = 1, true
		st := &stage{show: &sh, clock: replay.NewSteered(0, 1), quit: make(chan struct{})}
		st.press('q')
		pipe, err := st.rounds(t.Context())
		require.NoError(t, err)
		require.Contains(t, broke(pipe), "lowered-without-pressure rear-right")
	})
}

// R begins the session anew, with a judge that remembers nothing; a repeated one does by itself.
func TestAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := job(t, "early")
		sh, opened := r.show(), 0
		sh.Speed = 1
		st := &stage{show: &sh, clock: replay.NewSteered(0, 1), quit: make(chan struct{})}
		sh.Open = func() (capture.Source, error) {
			opened++
			return r.open()
		}
		time.AfterFunc(time.Minute, func() {
			require.InDelta(t, 60, st.clock.Now().Sub(r.Whole.Frames[0].At).Seconds(), 1)
			st.press('r')
			time.AfterFunc(10*time.Second, func() {
				require.InDelta(t, 10, st.clock.Now().Sub(r.Whole.Frames[0].At).Seconds(), 1)
				st.press('q')
			})
		})
		pipe, err := st.rounds(t.Context())
		require.NoError(t, err)
		require.Equal(t, 2, opened)
		require.Empty(t, broke(pipe), "ten seconds of the job")
		require.InDelta(t, 10, pipe.Judge.Now().Sub(pipe.Judge.Start()).Seconds(), 1)

		sh, opened = r.show(), 0
		sh.Repeat = true
		st = &stage{show: &sh, clock: replay.NewSteered(0, replay.AsFastAsItGoes), quit: make(chan struct{})}
		sh.Open = func() (capture.Source, error) {
			if opened++; opened == 3 {
				st.press('q')
			}
			return &capture.Slice{Frames: r.Whole.Frames[:1000]}, nil
		}
		_, err = st.rounds(t.Context())
		require.NoError(t, err)
		require.Equal(t, 3, opened)
	})
}

// staged returns what the keys of a replay work on.
func staged(survey *replay.Survey) *stage {
	return &stage{show: &Show{Survey: survey}, clock: replay.NewSteered(start, 1), quit: make(chan struct{})}
}

func TestKeysSteer(t *testing.T) {
	survey := &replay.Survey{Start: start, Points: []replay.Point{{At: at(60), Kind: replay.StagePoint, Text: "bleed"},
		{At: at(300), Kind: replay.FindingPoint, Text: "rear-right came down"}}}
	for name, c := range map[string]struct {
		survey *replay.Survey
		keys   string
		speed  float64
		paused bool
		at     float64
		notice string
	}{
		"faster":                {survey, "+", 2, false, 0, "speed 2"},
		"faster and faster":     {survey, "++++++++++++++++++++", 1000, false, 0, "speed 1000"},
		"slower":                {survey, "-", 0.5, false, 0, "speed 0.5"},
		"as slow as it goes":    {survey, "--------", 0.1, false, 0, "speed 0.1"},
		"there and back":        {survey, "++--", 1, false, 0, "speed 1"},
		"pause":                 {survey, " ", 1, true, 0, "paused"},
		"pause and on":          {survey, "  ", 1, false, 0, "it runs"},
		"next stage":            {survey, "n", 1, false, 60, "next stage: bleed"},
		"no second stage":       {survey, "nN", 1, false, 60, "no later stage"},
		"stage while paused":    {survey, " n", 1, true, 60, "next stage: bleed"},
		"finding, 5 s before":   {survey, "+++f", 1, false, 295, "next finding: rear-right came down"},
		"no later finding":      {survey, "fF", 1, false, 295, "no later finding"},
		"nothing is known":      {nil, "n", 1, false, 0, "the session was not looked through: no stage is known"},
		"Ctrl-Z":                {survey, "\x1a", 1, false, 0, "Ctrl-Z does nothing here; Q quits"},
		"any other key is none": {survey, "x", 1, false, 0, ""},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				st := staged(c.survey)
				for _, k := range []byte(c.keys) {
					st.press(k)
				}
				require.Equal(t, c.speed, st.clock.Speed())
				require.Equal(t, c.paused, st.clock.Paused())
				require.Equal(t, at(c.at), st.clock.Now())
				require.Equal(t, c.notice, st.dress(State{}).Notice)
				time.Sleep(noticeFor)
				require.Empty(t, st.dress(State{}).Notice, "and it goes again")
				require.False(t, st.quitting())
				for _, k := range []byte("qQ\x03") {
					st.press(k)
					require.True(t, st.quitting())
				}
			})
		})
	}
}

// TestLinesOfTheDisk: that nothing is written is said at once, again every 5 s while it lasts, and so is
// where the recording goes on.
func TestLinesOfTheDisk(t *testing.T) {
	var out strings.Builder
	l := &Lines{Out: &out}
	for _, step := range []struct {
		name, file, trouble string
		second              int
		want                string
	}{
		{"it is written", "job.pcapng", "", 0, ""},
		{"the disk is full", "", "bench is full: 8 MB are left", 1, "00:00:01 disk NOTHING IS WRITTEN, last 1.5 s ago: bench is full: 8 MB are left\n"},
		{"still", "", "bench is full: 8 MB are left", 5, ""},
		{"it is said again", "", "bench is full: 8 MB are left", 6, "00:00:06 disk NOTHING IS WRITTEN, last 1.5 s ago: bench is full: 8 MB are left\n"},
		{"another trouble", "", "bench: no such device", 7, "00:00:07 disk NOTHING IS WRITTEN, last 1.5 s ago: bench: no such device\n"},
		{"there is room", "job-2.pcapng", "", 8, "00:00:08 disk the recording goes on in job-2.pcapng\n"},
		{"it goes on", "job-2.pcapng", "", 9, ""},
		{"the disk sleeps", "job-2.pcapng", "the disk takes nothing", 10, "00:00:10 disk NOTHING IS WRITTEN, last 1.5 s ago: the disk takes nothing\n"},
		{"it wakes", "job-2.pcapng", "", 11, "00:00:11 disk the recording is written again\n"},
		{"a file failed, and another one was there at once", "job-3.pcapng", "", 12, "00:00:12 disk the recording goes on in job-3.pcapng\n"},
	} {
		s := State{Start: 1e18, Now: capture.Stamp(1e18).Add(time.Duration(step.second) * time.Second),
			Recording: &Recording{File: step.file, Trouble: step.trouble, WrittenAgo: 1500 * time.Millisecond}}
		if !l.begun {
			require.NoError(t, l.Update(&s))
			out.Reset()
		}
		require.NoError(t, l.Update(&s))
		require.Equal(t, step.want, out.String(), step.name)
		out.Reset()
	}
}

// TestLinesOfABleed: that a corner was bled, and each step of its filling, is said anew, though the corner
// stood against lowering before; a pressure that changes is not.
func TestLinesOfABleed(t *testing.T) {
	var out strings.Builder
	l := &Lines{Out: &out}
	s := State{Start: 1e18, Now: 1e18, Standing: []safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.NotProven, Least: safety.Threshold{Value: 1, Known: true}}}}
	line := &s.Standing[0]
	for _, step := range []struct {
		name   string
		change func()
		want   string
	}{
		{"low", func() { line.Pressure.Last.Value = 0.5 }, "Do not lower: rear-left 0.50 bar, least 1.00."},
		{"lower", func() { line.Pressure.Last.Value = 0.3 }, ""},
		{"bled", func() { line.Bled = s.Start.Add(7 * time.Second) }, "Do not lower: rear-left 0.30 bar, least 1.00; bled 00:00:07, no filling seen since."},
		{"still", func() {}, ""},
		{"a fill", func() { line.Fills = 1 }, "Do not lower: rear-left 0.30 bar, least 1.00; bled 00:00:07, one fill step answered since."},
		{"a fill that is refused", func() { line.Refused = s.Start.Add(9 * time.Second) },
			"Do not lower: rear-left 0.30 bar, least 1.00; bled 00:00:07, one fill step answered, the next refused 00:00:09."},
	} {
		step.change()
		require.NoError(t, l.Update(&s))
		_, said, _ := strings.Cut(out.String(), "Do not lower")
		if step.want != "" {
			said = "Do not lower" + strings.TrimSuffix(said, "\n")
		}
		require.Equal(t, step.want, said, step.name)
		out.Reset()
	}
}
