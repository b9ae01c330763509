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
