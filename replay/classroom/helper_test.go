package classroom

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// wall is a clock of the wall that tests turn by hand.
type wall struct {
	mu sync.Mutex
	at time.Time
}

func newWall() *wall { return &wall{at: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)} }

func (w *wall) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at
}

func (w *wall) turn(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = w.at.Add(d)
}

// courses keeps what was simulated: many tests look at the same session.
var courses sync.Map

// courseOf returns the course of a shipped lesson.
func courseOf(t testing.TB, l *Lesson) *Course {
	t.Helper()
	if c, ok := courses.Load(l.Plays.Scenario); ok {
		return c.(*Course)
	}
	in, err := ScenarioInput(l.Plays)
	require.NoError(t, err)
	c, err := Watch(context.Background(), in)
	require.NoError(t, err)
	courses.Store(l.Plays.Scenario, c)
	return c
}

// roomOf returns a room with a shipped lesson and a clock turned by hand.
func roomOf(t testing.TB, name string) (*Room, *wall) {
	t.Helper()
	l, err := Builtin(name)
	require.NoError(t, err)
	w := newWall()
	r, err := NewRoom(l, courseOf(t, l), w.now)
	require.NoError(t, err)
	return r, w
}

// do carries out commands, each at the step that is current then.
func do(t testing.TB, r *Room, commands ...Command) {
	t.Helper()
	for _, c := range commands {
		require.NoError(t, r.Do(c, r.Step()), "%s", c)
	}
}
