package safety_test

import (
	"context"
	"encoding/json"
	"io"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// played is a built-in scenario that was judged, with what was really in the springs when the lift
// last went down.
type played struct {
	findings []safety.Finding
	truth    map[string]float64 // bar gauge, by corner
}

// plays keeps what was played, since a play takes half a second.
var plays = map[string]played{}

func play(t *testing.T, name string) played {
	t.Helper()
	if p, done := plays[name]; done {
		return p
	}
	plays[name] = playOnce(t, name)
	return plays[name]
}

func playOnce(t *testing.T, name string) played {
	t.Helper()
	s, err := scenario.Builtin(name)
	require.NoError(t, err)
	signals, err := signaldef.Load(name, []byte(s.Definitions()))
	require.NoError(t, err)
	card, err := jobcard.Load(name, []byte(s.Card()))
	require.NoError(t, err)
	p, err := safety.NewPipeline(signals, card, nil)
	require.NoError(t, err)
	run, err := s.Open(1)
	require.NoError(t, err)
	out := played{truth: map[string]float64{}}
	batch := capture.NewBatch()
	for {
		err := run.Next(context.Background(), batch)
		for _, e := range batch.Events {
			out.note(t, e)
		}
		p.Take(batch)
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
	}
	p.Finish()
	out.findings = p.Judge.Findings()
	return out
}

// note keeps what the simulator says about the springs; the pipeline makes nothing of it.
func (p *played) note(t *testing.T, e capture.Event) {
	t.Helper()
	if e.Kind != capture.EventJournal || e.Name != "truth" {
		return
	}
	var body struct {
		What    string
		Corners []struct {
			Corner string
			Gauge  float64 `json:"gauge_bar"`
		}
	}
	require.NoError(t, json.Unmarshal(e.Body, &body))
	if body.What == "lower" {
		for _, c := range body.Corners {
			p.truth[c.Corner] = c.Gauge
		}
	}
}

// TestScenarios says what each scenario that was made for a danger comes to. The wants follow from
// what the scenario does, by reading it.
func TestScenarios(t *testing.T) {
	told := []string{"broken"}
	notHeld := []string{"broken", "cannot-tell", "absent"}
	held := []string{"held"}
	tests := []struct {
		scenario, rule, corner string
		want                   []string
	}{
		{"proper", "lowered-without-pressure", "rear-right", held},
		{"proper", "stood-without-pressure", "rear-left", held},
		{"early", "lowered-without-pressure", "rear-right", told},
		{"early", "lowered-without-pressure", "rear-left", held},
		{"crushed", "lowered-without-pressure", "rear-right", told},
		{"crushed", "stood-without-pressure", "rear-right", told},
		{"absolute", "lowered-without-pressure", "rear-right", notHeld},
		{"blind", "lowered-without-pressure", "rear-right", notHeld},
		{"frozen", "lowered-without-pressure", "rear-right", notHeld},
		{"gap", "lowered-without-pressure", "rear-right", notHeld},
		{"lost", "lowered-without-pressure", "rear-right", notHeld},
		{"stale", "lowered-without-pressure", "rear-right", notHeld},
		{"swapped", "lowered-without-pressure", "rear-right", notHeld},
		{"wrong-unit", "lowered-without-pressure", "rear-right", notHeld},
		{"quick-fill", "lowered-without-pressure", "rear-right", notHeld},
		{"no-pressure", "lowered-with-no-fill-seen", "rear-right", told},
		{"stuck-valve", "line-opened-under-pressure", "rear-left", told},
		{"refused", "request-refused", "rear-right", told},
		{"silent-tester", "service-mode-lost", "*", told},
		{"venting", "moved-unasked", "rear-left", notHeld},
		{"jack", "closed-without-pressure", "rear-left", told},
		{"lost", "record-incomplete", "*", told},
		{"leak", "not-tight", "rear-left", told},
	}
	for _, tt := range tests {
		t.Run(tt.scenario+"/"+tt.rule+"/"+tt.corner, func(t *testing.T) {
			require.Contains(t, tt.want, worst(play(t, tt.scenario).findings, tt.rule, tt.corner))
		})
	}
}

// faultless are the scenarios in which nobody is in danger.
var faultless = []string{"proper", "short", "jack", "leak", "linkage", "cooling", "cross-flow", "overnight-leak"}

// TestScenariosAgainstTheirTruth plays every scenario. A corner that came down with less than 1 bar in
// it is never held, and no danger is found where there was none.
func TestScenariosAgainstTheirTruth(t *testing.T) {
	for _, name := range scenario.Names() {
		t.Run(name, func(t *testing.T) {
			p := play(t, name)
			for corner, bar := range p.truth {
				if bar < 0.95 {
					require.NotEqual(t, "held", worst(p.findings, "lowered-without-pressure", corner), "%s had %.2f bar", corner, bar)
				}
			}
			if !slices.Contains(faultless, name) {
				return
			}
			for _, f := range p.findings {
				require.False(t, f.Rule.Severity == safety.Danger && f.Outcome == safety.Broken, f.Summary)
			}
		})
	}
}
