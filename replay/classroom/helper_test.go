package classroom

import (
	"context"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

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

// roomOf returns a room with a shipped lesson.
func roomOf(t testing.TB, name string) *Room {
	t.Helper()
	l, err := Builtin(name)
	require.NoError(t, err)
	r, err := NewRoom(l, courseOf(t, l))
	require.NoError(t, err)
	return r
}

// do carries out commands, each at the step that is current then.
func do(t testing.TB, r *Room, commands ...Command) {
	t.Helper()
	for _, c := range commands {
		require.NoError(t, r.Do(c, r.Step()), "%s", c)
	}
}
