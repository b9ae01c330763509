package safety_test

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// foreignTruth is what really happened in a recording that an independent simulator made.
type foreignTruth struct {
	Rules map[string]map[string][]string
}

const foreignSessions = "../testdata/sessions"

// foreignSignals loads the definitions of a recording; the heavy vehicle uses the built-in ones.
func foreignSignals(t *testing.T, base string) []decode.Signal {
	t.Helper()
	name := base + ".signals.yaml"
	if _, err := os.Stat(name); err != nil {
		name = "j1939"
	}
	signals, err := signaldef.Open(name)
	require.NoError(t, err)
	return signals
}

// judgeForeign runs a recording through the pipeline. drop leaves out the samples of one signal.
func judgeForeign(t *testing.T, base string, signals []decode.Signal) []safety.Finding {
	t.Helper()
	file, err := os.Open(base + ".pcapng.gz")
	require.NoError(t, err)
	defer file.Close()
	plain, err := gzip.NewReader(file)
	require.NoError(t, err)
	card, err := jobcard.LoadFile(base + ".jobcard.yaml")
	require.NoError(t, err)
	pipeline, err := safety.NewPipeline(signals, card, nil)
	require.NoError(t, err)
	reader := session.NewReader(plain, base, session.WithoutDigest())
	defer reader.Close()
	batch := capture.NewBatch()
	for {
		err := reader.Next(context.Background(), batch)
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		pipeline.Take(batch)
	}
	pipeline.Finish()
	return pipeline.Judge.Findings()
}

// worst returns the worst outcome of a rule at a corner ('*': anywhere), 'absent' for none.
func worst(findings []safety.Finding, rule, corner string) string {
	rank := map[string]int{"absent": -1, "held": 0, "cannot-tell": 1, "broken": 2}
	said := "absent"
	for _, f := range findings {
		if f.Rule.Name != rule || corner != "*" && f.Corner.String() != corner {
			continue
		}
		if o := f.Outcome.String(); rank[o] > rank[said] {
			said = o
		}
	}
	return said
}

// TestForeignRecordings holds every rule against what really happened, and counts: `held` where the
// truth does not allow it is the one unforgivable error.
func TestForeignRecordings(t *testing.T) {
	files, err := filepath.Glob(foreignSessions + "/*.truth.json")
	require.NoError(t, err)
	require.Len(t, files, 20)
	right, wrong, useless := 0, 0, 0
	for _, path := range files {
		base := strings.TrimSuffix(path, ".truth.json")
		t.Run(filepath.Base(base), func(t *testing.T) {
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			var truth foreignTruth
			require.NoError(t, json.Unmarshal(text, &truth))
			findings := judgeForeign(t, base, foreignSignals(t, base))
			for rule, corners := range truth.Rules {
				for corner, allowed := range corners {
					said := worst(findings, rule, corner)
					switch {
					case slices.Contains(allowed, said):
						right++
					case said == "cannot-tell" || said == "absent":
						useless++
						t.Errorf("%s %s: needlessly %s, right is %v", rule, corner, said, allowed)
					default:
						wrong++
						t.Errorf("%s %s: %s, right is %v", rule, corner, said, allowed)
					}
				}
			}
		})
	}
	t.Logf("answers right %d, wrong %d, needlessly untold %d", right, wrong, useless)
}

// restsOn says which rules may change when a signal is taken away; nil is every rule of the signal's
// corner. A height decides whether the body stands or hangs, so it may touch everything.
func restsOn(s *decode.Signal) []string {
	switch s.Quantity {
	case decode.EngineSpeed:
		return []string{"engine-run-too-short", "engine-stopped-while-lowering"}
	case decode.Ignition:
		return []string{"ignition-while-open"}
	case decode.Compressor:
		return []string{"compressor-overrun", "low-voltage", "not-tight"}
	case decode.BatteryVoltage:
		return []string{"low-voltage"}
	case decode.AmbientTemperature, decode.SupplyPressure, decode.AirTemperature, decode.Other:
		return []string{"not-tight"}
	default:
		return nil
	}
}

type answerAt struct{ rule, corner string }

func answers(findings []safety.Finding) map[answerAt]string {
	all := map[answerAt]string{}
	for _, f := range findings {
		key := answerAt{f.Rule.Name, f.Corner.String() + f.Axle.String()}
		all[key] = worst(findings, f.Rule.Name, f.Corner.String())
	}
	return all
}

// TestForeignWithoutOneSignal takes one signal away at a time. Answers may turn to 'cannot tell' or
// vanish; `held` never appears, `broken` never turns into it, and what does not rest on the signal
// stays as it was.
func TestForeignWithoutOneSignal(t *testing.T) {
	for _, name := range []string{"early-car-101", "short-run-101", "proper-101", "wrong-unit-101"} {
		t.Run(name, func(t *testing.T) {
			base := filepath.Join(foreignSessions, name)
			signals := foreignSignals(t, base)
			whole := answers(judgeForeign(t, base, signals))
			for i := range signals {
				taken := signals[i]
				less := answers(judgeForeign(t, base, slices.Delete(slices.Clone(signals), i, i+1)))
				compareAnswers(t, &taken, whole, less)
			}
		})
	}
}

func compareAnswers(t *testing.T, taken *decode.Signal, whole, less map[answerAt]string) {
	keys := map[answerAt]bool{}
	for k := range whole {
		keys[k] = true
	}
	for k := range less {
		keys[k] = true
	}
	for k := range keys {
		before, after := whole[k], less[k]
		if before == after || k.rule == "record-incomplete" {
			continue
		}
		require.NotEqual(t, "held", after, "without %s, %s %s turned from %q", taken.Name, k.rule, k.corner, before)
		require.NotEqual(t, "broken", after, "without %s, %s %s turned from %q", taken.Name, k.rule, k.corner, before)
		if taken.Quantity == decode.Height || taken.Quantity == decode.BarometricPressure || taken.Quantity == decode.VehicleSpeed {
			continue
		}
		if rules := restsOn(taken); rules != nil {
			require.Contains(t, rules, k.rule, "without %s", taken.Name)
			continue
		}
		require.Contains(t, []string{taken.Corner.String(), ""}, k.corner, "without %s, %s changed", taken.Name, k.rule)
	}
}
