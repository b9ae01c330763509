package classroom

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
)

func (r *Room) phaseNow() Phase {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	return r.phase
}

func (r *Room) timeNow() time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.advance().Sub(r.Course.Start)
}

// The scenario says going-down at 09:24:41, 10 min 36 s after its start at 09:14:05 (both written in
// the scenario, plus the time the hands need): the first stop.
func TestAClassFromStopToStop(t *testing.T) {
	room := roomOf(t, "early")
	synctest.Test(t, func(t *testing.T) {
		r, err := NewRoom(room.Lesson, room.Course)
		require.NoError(t, err)
		require.Equal(t, Playing, r.phaseNow())
		require.Zero(t, r.timeNow(), "it begins paused")
		do(t, r, Play)
		time.Sleep(10 * time.Second)
		require.Equal(t, 10*time.Second, r.timeNow())
		do(t, r, Faster, Faster, Faster, Faster)
		time.Sleep(10 * time.Second)
		require.Equal(t, 90*time.Second, r.timeNow(), "eight is the fastest")
		time.Sleep(time.Hour)
		require.Equal(t, Due, r.phaseNow())
		require.Equal(t, 636, int(r.timeNow().Seconds()))
		require.ErrorIs(t, r.Do(Play, r.Step()), ErrUnasked)
		time.Sleep(time.Hour)
		require.Equal(t, 636, int(r.timeNow().Seconds()), "past a stop nothing plays")
		do(t, r, Ask, Close, Reveal)
		require.Equal(t, 636, int(r.timeNow().Seconds()))
		do(t, r, Play)
		time.Sleep(time.Second)
		require.Equal(t, 644, int(r.timeNow().Seconds()))
		require.Equal(t, Revealed, r.phaseNow(), "the answer stays while it plays on")
		do(t, r, NextStop)
		require.Equal(t, Due, r.phaseNow())
		do(t, r, Skip, Play)
		require.Equal(t, Playing, r.phaseNow())
		do(t, r, NextStop, Skip, Play)
		time.Sleep(time.Hour)
		require.Equal(t, r.Course.End.Sub(r.Course.Start), r.timeNow(), "it ends at the end")
		require.Error(t, r.Do(Play, r.Step()))
		do(t, r, LastStop)
		require.Less(t, r.timeNow(), r.Course.End.Sub(r.Course.Start))
	})
}

func TestStepsDoNotSkip(t *testing.T) {
	r := roomOf(t, "early")
	require.ErrorIs(t, r.Do(Ask, r.Step()), ErrNotNow, "nothing is due yet")
	do(t, r, NextStop)
	require.ErrorIs(t, r.Do(Close, r.Step()), ErrNotNow)
	require.ErrorIs(t, r.Do(Reveal, r.Step()), ErrNotNow)

	for _, c := range []Command{Ask, Close, Reveal} {
		seen := r.Step()
		require.NoError(t, r.Do(c, seen))
		require.ErrorIs(t, r.Do(c, seen), ErrMovedOn, "%s pressed twice", c)
		require.ErrorIs(t, r.Do(c, r.Step()), ErrNotNow, "%s pressed twice, slowly", c)
		if c != Reveal {
			for _, seek := range []Command{Play, Back, Forward, NextStop, LastStop} {
				require.ErrorIs(t, r.Do(seek, r.Step()), ErrOpen, "%s after %s", seek, c)
			}
		}
	}
	require.ErrorIs(t, r.Do("dance", r.Step()), ErrUnknown)
}

func TestGoingBackFromAStopBringsItAgain(t *testing.T) {
	r := roomOf(t, "early")
	do(t, r, NextStop)
	at := r.timeNow()
	do(t, r, Back)
	require.Equal(t, Playing, r.phaseNow())
	require.Equal(t, at-10*time.Second, r.timeNow())
	do(t, r, Forward, Forward, Forward)
	require.Equal(t, Due, r.phaseNow())
	require.Equal(t, at, r.timeNow(), "forward stops at the stop")
}

// A night of twelve hours is seen in minutes: while nothing comes, playing jumps.
func TestSilenceIsSkipped(t *testing.T) {
	room := roomOf(t, "cooling")
	synctest.Test(t, func(t *testing.T) {
		r, err := NewRoom(room.Lesson, room.Course)
		require.NoError(t, err)
		do(t, r, NextStop, Skip, Play, Faster, Faster, Faster)
		for range 120 {
			time.Sleep(time.Second)
			r.Step()
		}
		require.Equal(t, Due, r.phaseNow(), "the morning's stop")
		require.Greater(t, r.timeNow(), 11*time.Hour)
	})
}

func TestTwoStopsAtOneMoment(t *testing.T) {
	r := roomOf(t, "early")
	l := *r.Lesson
	l.Stops = []Stop{l.Stops[0], l.Stops[0]}
	r, err := NewRoom(&l, r.Course)
	require.NoError(t, err)
	do(t, r, NextStop, Ask, Close, Reveal)
	require.Equal(t, Revealed, r.phaseNow())
	do(t, r, NextStop)
	require.Equal(t, Due, r.phaseNow(), "the second one waits until the first was put away")
	do(t, r, Ask, Close, Reveal, Skip)
	require.Equal(t, Playing, r.phaseNow())
}

func TestAClassWithoutALesson(t *testing.T) {
	r, err := NewRoom(nil, roomOf(t, "early").Course)
	require.NoError(t, err)
	do(t, r, NextStop)
	require.Equal(t, r.Course.End.Sub(r.Course.Start), r.timeNow())
	require.Equal(t, Playing, r.phaseNow())
}

func TestAnswers(t *testing.T) {
	r := roomOf(t, "early")
	seat, err := r.Join()
	require.NoError(t, err)
	require.ErrorIs(t, r.Answer(seat, 1, 1), ErrNotOpen, "playing")
	do(t, r, NextStop)
	require.ErrorIs(t, r.Answer(seat, 1, 1), ErrNotOpen, "due")
	do(t, r, Ask)
	require.ErrorIs(t, r.Answer("nobody", 1, 1), ErrNoSeat)
	require.ErrorIs(t, r.Answer(seat, 2, 1), ErrNotOpen, "of another stop")
	require.ErrorIs(t, r.Answer(seat, 1, 0), ErrNoChoice)
	require.ErrorIs(t, r.Answer(seat, 1, 5), ErrNoChoice)
	require.NoError(t, r.Answer(seat, 1, 1))
	require.NoError(t, r.Answer(seat, 1, 2), "changed")
	do(t, r, Close)
	require.ErrorIs(t, r.Answer(seat, 1, 3), ErrNotOpen, "too late")
	require.Equal(t, []int{0, 1, 0, 0}, r.board().Asked.Counts)
	do(t, r, Reveal, NextStop, Ask)
	n, err := r.seat(seat)
	require.NoError(t, err)
	require.Zero(t, n.Mine, "the next question begins without an answer")
}

func TestSeatsAreLimitedAndSwept(t *testing.T) {
	room := roomOf(t, "early")
	synctest.Test(t, func(t *testing.T) {
		r, err := NewRoom(room.Lesson, room.Course)
		require.NoError(t, err)
		first, err := r.Join()
		require.NoError(t, err)
		_, err = r.listen(first)
		require.NoError(t, err)
		for range MaxSeats - 1 {
			_, err := r.Join()
			require.NoError(t, err)
		}
		_, err = r.Join()
		require.ErrorIs(t, err, ErrFull)
		time.Sleep(idleSeat + time.Second)
		_, err = r.Join()
		require.NoError(t, err, "seats that nobody uses are given away")
		_, err = r.seat(first)
		require.NoError(t, err, "a seat that somebody listens from is kept")
	})
}

func TestAReloadDoesNotCountTwice(t *testing.T) {
	r := roomOf(t, "early")
	seat, err := r.Join()
	require.NoError(t, err)
	old, err := r.listen(seat)
	require.NoError(t, err)
	young, err := r.listen(seat)
	require.NoError(t, err)
	<-old // told to stop
	r.leave(seat, old)
	require.Equal(t, 1, r.board().Joined)
	r.leave(seat, young)
	require.Equal(t, 0, r.board().Joined)
}

// Whatever a trainer presses, in any order: nothing later than the next stop is shown, stops come in
// their order, and the phase never jumps.
func TestNothingIsShownBeyondAStop(t *testing.T) {
	base := roomOf(t, "early")
	all := []Command{Play, Back, Forward, LastStop, NextStop, Slower, Faster, JoinCard, Ask, Close, Reveal, Skip, "dance"}
	rapid.Check(t, func(t *rapid.T) {
		r, err := NewRoom(base.Lesson, base.Course)
		require.NoError(t, err)
		told := 0
		for range rapid.IntRange(1, 20).Draw(t, "presses") {
			before, next := r.phase, r.next
			seen := r.step - uint64(rapid.IntRange(0, 1).Draw(t, "late"))
			err := r.Do(rapid.SampledFrom(all).Draw(t, "command"), seen)
			if err != nil && r.phase == before {
				require.Equal(t, next, r.next, "refused, and changed all the same")
			}
			legal := map[Phase][]Phase{Playing: {Playing, Due}, Due: {Due, Open, Playing}, Open: {Open, Closed},
				Closed: {Closed, Revealed}, Revealed: {Revealed, Playing, Due}}
			require.Contains(t, legal[before], r.phase)
			require.LessOrEqual(t, r.next-next, 1)
			told = max(told, r.next)
			n := r.board()
			at := base.Course.Start.Add(parsed(t, n.Clock))
			if r.next < len(r.stops) {
				require.LessOrEqual(t, at, r.stops[r.next].at)
			}
			if r.phase != Revealed && n.Asked != nil {
				require.Empty(t, n.Asked.Reason)
				require.Zero(t, n.Asked.Right)
			}
		}
		require.Equal(t, told, r.next, "a stop that was passed does not come back")
	})
}

func parsed(t require.TestingT, clock string) time.Duration {
	d, err := parseSessionTime(clock)
	require.NoError(t, err)
	return d
}

// What is drawn at a time does not depend on what comes later: a course cut behind that time gives
// the same view.
func TestAViewKnowsThePastOnly(t *testing.T) {
	c := roomOf(t, "early").Course
	for _, minute := range []time.Duration{1, 4, 9, 13} {
		at := c.Start.Add(minute * time.Minute)
		cut := *c
		for i := range cut.corners {
			cut.corners[i].pressure = upTo(cut.corners[i].pressure, at)
			cut.corners[i].height = upTo(cut.corners[i].height, at)
		}
		require.Equal(t, cut.axis(at), c.axis(at))
		for id := range cut.corners[1:] {
			corner := decode.Corner(id + 1)
			from := at.Add(-3 * time.Minute)
			require.Equal(t, cut.view(corner, from, at, cut.axis(at)), c.view(corner, from, at, c.axis(at)))
		}
	}
}

func upTo(t track, at capture.Stamp) track {
	n := t.upTo(at)
	t.points, t.least, t.greatest = t.points[:n], t.least[:n], t.greatest[:n]
	return t
}
