// Package scenariotest keeps simulated jobs in memory for tests.
package scenariotest

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/safety/jobcard"
)

// Job is a simulated job with what is known of its vehicle.
type Job struct {
	Whole   capture.Slice // not to be read from, since others do: take a copy
	Signals []decode.Signal
	Card    *jobcard.Card
}

var jobs = struct {
	sync.Mutex
	made map[string]*Job
}{made: map[string]*Job{}}

// seed is that of every job.
const seed = 7

// Of returns a built-in scenario, simulated once in each test program.
func Of(t testing.TB, name string) *Job {
	t.Helper()
	jobs.Lock()
	defer jobs.Unlock()
	if j := jobs.made[name]; j != nil {
		return j
	}
	s, err := scenario.Builtin(name)
	require.NoError(t, err)
	j := &Job{}
	j.Signals, err = signaldef.Load("definitions", []byte(s.Definitions()))
	require.NoError(t, err)
	j.Card, err = jobcard.Load("card", []byte(s.Card()))
	require.NoError(t, err)
	run, err := s.Open(seed)
	require.NoError(t, err)
	require.NoError(t, capture.Each(t.Context(), run, func(b *capture.Batch) {
		for _, e := range b.Events {
			e.Index += len(j.Whole.Frames)
			j.Whole.Events = append(j.Whole.Events, e)
		}
		j.Whole.Frames = append(j.Whole.Frames, b.Frames...)
	}))
	jobs.made[name] = j
	return j
}
