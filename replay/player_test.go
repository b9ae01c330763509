package replay

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// taken is one frame or event as it was handed on.
type taken struct {
	event bool
	id    uint64 // packet of a frame, record of an event
	at    capture.Stamp
	when  time.Duration // wall time since the beginning
}

// unroll lists what lies in a batch, in its order.
func unroll(b *capture.Batch, when time.Duration) []taken {
	var all []taken
	next := 0
	for i := 0; i <= len(b.Frames); i++ {
		for next < len(b.Events) && b.Events[next].Index <= i {
			all = append(all, taken{true, b.Events[next].Record, b.Events[next].At, when})
			next++
		}
		if i < len(b.Frames) {
			all = append(all, taken{false, b.Frames[i].Packet, b.Frames[i].At, when})
		}
	}
	return all
}

// keep returns a Take that keeps everything.
func keep(into *[]taken) func(*capture.Batch) error {
	began := time.Now()
	return func(b *capture.Batch) error {
		*into = append(*into, unroll(b, time.Since(began))...)
		return nil
	}
}

// frames returns a frame at each of the times, in seconds after start.
func frames(seconds ...float64) []capture.Frame {
	all := make([]capture.Frame, len(seconds))
	for i, s := range seconds {
		all[i] = capture.Frame{At: start.Add(time.Duration(s * float64(time.Second))), Packet: uint64(i + 1), Flags: capture.Inbound}
	}
	return all
}

func seconds(all []taken) (at, when []float64) {
	for _, k := range all {
		at = append(at, k.at.Sub(start).Seconds())
		when = append(when, k.when.Seconds())
	}
	return at, when
}

func TestPlayerKeepsTheSpacing(t *testing.T) {
	for name, c := range map[string]struct {
		player *Player
		speed  float64
		at     []float64
		takes  []float64 // wall seconds at which each is handed on, by hand
	}{
		"as it was":                             {speed: 1, at: []float64{0, 1, 1.5, 7}, takes: []float64{0, 1, 1.5, 7}},
		"four times":                            {speed: 4, at: []float64{0, 1, 2, 8}, takes: []float64{0, 0.25, 0.5, 2}},
		"a step back in time is not waited for": {speed: 1, at: []float64{0, 5, 3, 4, 6}, takes: []float64{0, 5, 5, 5, 6}},
		"from the middle":                       {player: &Player{From: start.Add(3 * time.Second)}, speed: 1, at: []float64{0, 1, 2.9, 4, 5}, takes: []float64{0, 0, 0, 1, 2}},
		"up to a time": {player: &Player{To: start.Add(4 * time.Second)}, speed: 1, at: []float64{0, 1, 4, 4.1, 9},
			takes: []float64{0, 1, 4}},
		"a long silence in two seconds": {player: &Player{Gaps: Gaps{Longer: time.Minute, Take: 2 * time.Second}}, speed: 1,
			at: []float64{0, 50, 50 + 43200, 50 + 43201}, takes: []float64{0, 50, 52, 53}},
		"a plan of speeds": {player: &Player{Pace: Pace{{start.Add(10 * time.Second), 10}, {start.Add(14 * time.Second), 1}, {start.Add(100 * time.Second), 4}}},
			speed: 1, at: []float64{0, 5, 12, 14, 22}, takes: []float64{0, 0.5, 3, 5, 7}},
		"a plan that passes over its own legs": {player: &Player{Pace: Pace{{start.Add(1 * time.Second), 1}, {start.Add(3 * time.Second), 2}, {start.Add(5 * time.Second), 1}}},
			speed: 1, at: []float64{0, 8}, takes: []float64{0, 7}}, // 1 + 1 + 2, then 3 at the last speed
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var got []taken
				p := c.player
				if p == nil {
					p = &Player{}
				}
				p.Source, p.Clock, p.Take = &capture.Slice{Frames: frames(c.at...)}, NewSteered(start, c.speed), keep(&got)
				require.NoError(t, p.Run(t.Context()))
				at, when := seconds(got)
				require.Equal(t, c.at[:len(c.takes)], at)
				require.InDeltaSlice(t, c.takes, when, 1e-6)
			})
		})
	}
}

// A wall can't hurry and has no speed: the frames come as they did.
func TestPlayerOnTheWall(t *testing.T) {
	var got []taken
	p := Player{Source: &capture.Slice{Frames: frames(0, 0.001, 0.002)}, Clock: NewWall(start), Take: keep(&got), Each: true}
	require.NoError(t, p.Run(t.Context()))
	require.Len(t, got, 3)
}

// anySession draws frames, with stamps that step back now and then, and events between them.
func anySession(t *rapid.T) *capture.Slice {
	steps := rapid.SliceOfN(rapid.Int64Range(-2_000_000_000, 20_000_000_000), 1, 80).Draw(t, "steps")
	s := &capture.Slice{}
	at := start
	for i, step := range steps {
		at = at.Add(time.Duration(step))
		s.Frames = append(s.Frames, capture.Frame{At: at, Packet: uint64(i + 1)})
	}
	places := rapid.SliceOfN(rapid.IntRange(0, len(steps)), 0, 20).Draw(t, "events")
	slices.Sort(places)
	for i, place := range places {
		e := capture.Event{Kind: capture.EventJournal, Name: "note", Index: place, Record: uint64(i + 1), At: at}
		if place < len(s.Frames) {
			e.At = s.Frames[place].At
		}
		s.Events = append(s.Events, e)
	}
	return s
}

// small is a source of batches of a given size.
type small struct {
	capture.Slice
	frames int
}

func (s *small) Next(ctx context.Context, into *capture.Batch) error {
	part := &capture.Batch{Frames: make([]capture.Frame, 0, s.frames)}
	err := s.Slice.Next(ctx, part)
	into.Frames = append(into.Frames[:0], part.Frames...)
	into.Events = append(into.Events[:0], part.Events...)
	return err
}

// Whatever the speed, the stretch, the stops and the size of batches: everything up to the end comes
// once and in order, and an event keeps its place among the frames.
func TestPlayerHandsOnEverythingInOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		session := anySession(rt)
		whole := unroll(&capture.Batch{Frames: session.Frames, Events: session.Events}, 0)
		anyTime := rapid.Int64Range(0, 100_000_000_000)
		p := &Player{
			Source: &small{*session, rapid.IntRange(1, 20).Draw(rt, "batch")},
			Each:   rapid.Bool().Draw(rt, "each"),
			Gaps:   Gaps{Longer: time.Duration(rapid.SampledFrom([]int64{0, 5e9}).Draw(rt, "longer")), Take: time.Second},
		}
		speed := rapid.SampledFrom([]float64{0, 1, 7, 1000}).Draw(rt, "speed")
		if rapid.Bool().Draw(rt, "from") {
			p.From = start.Add(time.Duration(anyTime.Draw(rt, "from what")))
		}
		for _, s := range rapid.SliceOfN(anyTime, 0, 4).Draw(rt, "stops") {
			p.Stops = append(p.Stops, start.Add(time.Duration(s)))
		}
		slices.Sort(p.Stops)
		var got []taken
		var early []taken // past a stop before it
		p.AtStop = func(_ context.Context, stop int) error {
			for _, k := range got {
				if k.at > p.Stops[stop] {
					early = append(early, k)
				}
			}
			return nil
		}
		synctest.Test(t, func(t *testing.T) {
			p.Clock, p.Take = NewSteered(start, speed), keep(&got)
			require.NoError(t, p.Run(t.Context()))
		})
		require.Empty(rt, early)
		require.Len(rt, got, len(whole))
		for i := range whole {
			require.Equal(rt, whole[i].id, got[i].id)
			require.Equal(rt, whole[i].event, got[i].event)
		}
	})
}

// A stop holds back everything behind it for as long as it lasts, also when the clock runs on.
func TestPlayerStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []taken
		clock := NewSteered(start, 1)
		p := Player{Source: &capture.Slice{Frames: frames(0, 1, 2, 3, 4)}, Clock: clock, Take: keep(&got),
			Stops: []capture.Stamp{start.Add(2 * time.Second)}}
		p.AtStop = func(context.Context, int) error {
			clock.Pause()
			require.Len(t, got, 3, "a frame of the very moment is shown")
			time.Sleep(time.Hour)
			require.Len(t, got, 3)
			clock.Resume()
			return nil
		}
		require.NoError(t, p.Run(t.Context()))
		_, when := seconds(got)
		require.InDeltaSlice(t, []float64{0, 1, 2, 3603, 3604}, when, 1e-6)
	})
}

func TestPlayerSkipsToTheBeginning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var skipped, got []taken
		p := Player{Source: &capture.Slice{Frames: frames(0, 1, 2, 3, 4), Events: []capture.Event{{Index: 2, At: start.Add(time.Second)}, {Index: 3, At: start.Add(3 * time.Second)}}},
			Clock: NewSteered(start, 1), Take: keep(&got), Skip: keep(&skipped), From: start.Add(3 * time.Second)}
		require.NoError(t, p.Run(t.Context()))
		require.Len(t, skipped, 4)
		require.Len(t, got, 3)
		require.Equal(t, start.Add(3*time.Second), got[0].at)
		require.True(t, got[0].event)
	})
}

func TestPlayerTellsOfSilences(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []taken
		var gaps []Gap
		p := Player{Source: &capture.Slice{Frames: frames(0, 3600, 3601)}, Clock: NewSteered(start, 1), Take: keep(&got),
			Gaps: Gaps{Longer: time.Minute, Take: time.Second}, Told: func(g Gap) { gaps = append(gaps, g) }}
		require.NoError(t, p.Run(t.Context()))
		require.Equal(t, []Gap{{start, start.Add(time.Hour)}}, gaps)
	})
}

// A screen that asks for the time is never told one past a frame that it has not got: a machine that
// falls behind must not look like a bus that fell silent.
func TestPlayerNowWaitsForTheFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, 1000)
		var behind capture.Stamp
		p := &Player{Source: &capture.Slice{Frames: frames(0, 1, 2, 3)}, Clock: clock, Each: true}
		p.Take = func(b *capture.Batch) error {
			time.Sleep(time.Second) // a thousand seconds of the session
			behind = p.Now()
			require.LessOrEqual(t, behind, b.Frames[0].At)
			return nil
		}
		require.NoError(t, p.Run(t.Context()))
		require.Equal(t, start.Add(3*time.Second), p.Now())
	})
}

func TestPlayerErrors(t *testing.T) {
	broken := errors.New("broken")
	fails := func(*capture.Batch) error { return broken }
	fine := func(*capture.Batch) error { return nil }
	for name, p := range map[string]*Player{
		"of the taker":   {Source: &capture.Slice{Frames: frames(0)}, Take: fails},
		"of the skipper": {Source: &capture.Slice{Frames: frames(0)}, Take: fine, Skip: fails, From: start + 1},
		"of the source":  {Source: failing{broken}, Take: fine},
		"of a stop": {Source: &capture.Slice{Frames: frames(0, 1)}, Take: fine, Stops: []capture.Stamp{start},
			AtStop: func(context.Context, int) error { return broken }},
	} {
		t.Run(name, func(t *testing.T) {
			p.Clock = NewSteered(start, AsFastAsItGoes)
			require.ErrorIs(t, p.Run(t.Context()), broken)
		})
	}
}

type failing struct{ err error }

func (f failing) Next(context.Context, *capture.Batch) error { return f.err }

// The bubble of the test would not end while a goroutine waits.
func TestPlayerEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		p := Player{Source: &capture.Slice{Frames: frames(0, 3600)}, Clock: NewSteered(start, 1), Take: func(*capture.Batch) error { return nil }}
		require.ErrorIs(t, p.Run(ctx), context.DeadlineExceeded)
	})
}

func TestPlayerAllocatesNothingPerFrame(t *testing.T) {
	many := make([]float64, 5000)
	for i := range many {
		many[i] = float64(i) / 1000
	}
	all := frames(many...)
	allocs := testing.AllocsPerRun(5, func() {
		p := Player{Source: &capture.Slice{Frames: all}, Clock: NewSteered(start, AsFastAsItGoes), Take: func(*capture.Batch) error { return nil }}
		if err := p.Run(context.Background()); err != nil && err != io.EOF {
			t.Fatal(err)
		}
	})
	require.Less(t, allocs, 20.0, "what is made once for a run")
}

// early is a simulated job in which the body comes down on an empty spring, in memory.
var early = sync.OnceValue(func() *capture.Slice {
	s, err := scenario.Builtin("early")
	if err != nil {
		panic(err)
	}
	run, err := s.Open(7)
	if err != nil {
		panic(err)
	}
	whole := &capture.Slice{}
	b := capture.NewBatch()
	for run.Next(context.Background(), b) == nil {
		for _, e := range b.Events {
			e.Index += len(whole.Frames)
			whole.Events = append(whole.Events, e)
		}
		whole.Frames = append(whole.Frames, b.Frames...)
	}
	return whole
})

// opened returns the early job and a fresh pipeline for it.
func opened(t testing.TB) (capture.Source, *safety.Pipeline) {
	t.Helper()
	s, err := scenario.Builtin("early")
	require.NoError(t, err)
	signals, err := signaldef.Load("definitions", []byte(s.Definitions()))
	require.NoError(t, err)
	card, err := jobcard.Load("card", []byte(s.Card()))
	require.NoError(t, err)
	pipe, err := safety.NewPipeline(signals, card, nil)
	require.NoError(t, err)
	return &capture.Slice{Frames: early().Frames, Events: early().Events}, pipe
}

// said lists what a pipeline found.
func said(p *safety.Pipeline) []string {
	var all []string
	for _, f := range p.Judge.Findings() {
		all = append(all, f.Rule.Name+" "+f.Corner.String()+" "+f.Outcome.String()+" "+f.Start.String()+" "+f.Summary)
	}
	return all
}

// Speed, jumps and stops never change a verdict.
func TestSpeedNeverChangesAVerdict(t *testing.T) {
	src, straight := opened(t)
	survey, err := Look(t.Context(), src, straight)
	require.NoError(t, err)
	require.NotEmpty(t, said(straight))
	middle := survey.Start.Add(survey.End.Sub(survey.Start) / 2)
	for how, p := range map[string]*Player{
		"a thousand times": {Clock: NewSteered(survey.Start, Fastest)},
		"one by one":       {Clock: NewSteered(survey.Start, AsFastAsItGoes), Each: true, Stops: []capture.Stamp{middle}},
		"from the middle":  {Clock: NewSteered(survey.Start, 1), From: middle, Pace: Pace{{survey.End, AsFastAsItGoes}}},
	} {
		t.Run(how, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				src, pipe := opened(t)
				p.Clock = NewSteered(survey.Start, p.Clock.(*Steered).Speed()) // by the bubble's time
				p.Source = src
				p.Take = func(b *capture.Batch) error { pipe.Take(b); return nil }
				require.NoError(t, p.Run(t.Context()))
				pipe.Finish()
				require.Equal(t, said(straight), said(pipe))
			})
		})
	}
}
