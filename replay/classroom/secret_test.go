package classroom

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// told is everything that pages are told while a class is taken from a stop to the reveal: one line a
// message, of the board and of two phones.
type told struct{ before, after []string }

// rehearse takes a class through the first stop, with two students who choose 1 and 3, and returns
// every message on the way. It runs in a bubble of time, so messages carry the same times each run.
func rehearse(t *testing.T, l *Lesson, c *Course) told {
	var out told
	r, err := NewRoom(l, c)
	require.NoError(t, err)
	var seats []string
	into := &out.before
	tell := func(n any, err error) {
		require.NoError(t, err)
		text, err := json.Marshal(n)
		require.NoError(t, err)
		*into = append(*into, string(text))
	}
	look := func() {
		time.Sleep(250 * time.Millisecond)
		tell(r.board(), nil)
		for _, s := range seats {
			tell(r.seat(s))
		}
	}
	for range 2 {
		s, err := r.Join()
		require.NoError(t, err)
		seats = append(seats, s)
	}
	look()
	do(t, r, Play)
	look()
	do(t, r, NextStop)
	look()
	do(t, r, Ask)
	look()
	require.NoError(t, r.Answer(seats[0], 1, 1))
	require.NoError(t, r.Answer(seats[1], 1, 3))
	look()
	do(t, r, Close)
	look()
	into = &out.after
	do(t, r, Reveal)
	look()
	return out
}

// Two lessons that differ in nothing but which choice is right, and why, give the same bytes until
// the reveal, message by message: so neither size nor order nor number of messages tells.
func TestMessagesAreTheSameWhicheverChoiceIsRight(t *testing.T) {
	room := roomOf(t, "early")
	var first told
	for answer := range 4 {
		l := *room.Lesson
		l.Stops = append([]Stop(nil), l.Stops...)
		l.Stops[0].Answer = answer
		l.Stops[0].Reason = strings.Repeat("because ", answer+1)
		synctest.Test(t, func(t *testing.T) {
			got := rehearse(t, &l, room.Course)
			if answer == 0 {
				first = got
				return
			}
			require.Equal(t, first.before, got.before)
			require.NotEqual(t, first.after, got.after)
		})
	}
}

// Before the reveal no message holds the answer, the reason, why a choice is wrong, or (for phones,
// and for the board until the closing) how many chose what.
func TestNothingIsToldBeforeTheReveal(t *testing.T) {
	room := roomOf(t, "early")
	stop := room.Lesson.Stops[0]
	synctest.Test(t, func(t *testing.T) {
		got := rehearse(t, room.Lesson, room.Course)
		require.Len(t, got.before, 6*3)
		for i, text := range got.before {
			for _, secret := range []string{stop.Reason, "half a bar", `"right"`, `"reason"`, `"why"`, `"plot"`, `"event"`} {
				require.NotContains(t, text, secret)
			}
			for _, c := range stop.Choices {
				if c.Wrong != "" {
					require.NotContains(t, text, c.Wrong)
				}
			}
			closedBoard := i == 15 // the sixth look, where the board comes first
			require.Equal(t, closedBoard, strings.Contains(text, `"counts"`), "message %d: %s", i, text)
		}
		after := strings.Join(got.after, "\n")
		require.Contains(t, after, stop.Reason)
		require.Contains(t, after, `"right":2`)
		require.Contains(t, after, `"counts":[1,0,1,0]`)
		require.Contains(t, after, stop.Choices[0].Wrong)
		require.NotContains(t, got.after[2], stop.Choices[0].Wrong, "who chose 3 is not told about 1")
		require.NotContains(t, after, room.Lesson.Stops[1].Question, "the next question is not told either")
	})
}

// While a question is due, open or closed, the plots end at the stop: no time after it and no value
// that first comes after it is in any message.
func TestNoSampleBeyondTheStop(t *testing.T) {
	room := roomOf(t, "early")
	l := *room.Lesson
	l.Stops = l.Stops[1:2] // just before the rear right closes
	at := room.Course.Findings[0].Start
	synctest.Test(t, func(t *testing.T) {
		got := rehearse(t, &l, room.Course)
		for i, text := range got.before {
			if i%3 != 0 || i < 6 {
				continue
			}
			var n boardNews
			require.NoError(t, json.Unmarshal([]byte(text), &n))
			require.Equal(t, sessionTime(at.Add(-time.Second).Sub(room.Course.Start)), n.Clock)
			for _, v := range n.Corners {
				// The body is still up: 472 to 485 mm, and no path comes near the foot of the axis.
				require.Contains(t, []string{"470", "471", "472", "473", "474", "484", "485"}, v.Height)
			}
			require.Equal(t, "380", n.Axis.HeightFoot, "an axis that reached lower would tell of the fall")
		}
		var phone seatNews
		require.NoError(t, json.Unmarshal([]byte(got.after[1]), &phone))
		require.NotNil(t, phone.Plot)
		require.Equal(t, sessionTime(at.Add(-time.Second+plotAfter).Sub(room.Course.Start)), phone.Plot.To)
	})
}

// The plot of the reveal ends where the next question begins.
func TestARevealDoesNotTellTheNextQuestion(t *testing.T) {
	room := roomOf(t, "early")
	r, err := NewRoom(room.Lesson, room.Course)
	require.NoError(t, err)
	seat, err := r.Join()
	require.NoError(t, err)
	do(t, r, NextStop, Skip, NextStop, Ask, Close, Reveal)
	n, err := r.seat(seat)
	require.NoError(t, err)
	next := r.stops[2].at
	require.Less(t, next.Sub(r.stops[1].at), plotAfter, "else this test shows nothing")
	require.Equal(t, sessionTime(next.Sub(r.Course.Start)), n.Plot.To)
}

// What is kept of a student is a random token and a number.
func TestNothingIsKeptOfAStudent(t *testing.T) {
	r := roomOf(t, "early")
	a, err := r.Join()
	require.NoError(t, err)
	b, err := r.Join()
	require.NoError(t, err)
	require.NotEqual(t, a, b)
	require.GreaterOrEqual(t, len(a), 26)
	kept := fmt.Sprintf("%T %+v", *r.seats.byToken[a], *r.seats.byToken[a])
	require.NotContains(t, kept, "127.0.0.1")
	require.NotContains(t, kept, "string")
}
