package scenario

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
	"ridewitness/decode/signaldef"
	"ridewitness/safety/jobcard"
)

func TestSchemaTakesWhatLoads(t *testing.T) {
	s := documenttest.Compile(t, Schema())
	for _, name := range Names() {
		text, err := Text(name)
		require.NoError(t, err)
		require.NoError(t, s.Check([]byte(text)), name)
	}
	files, err := filepath.Glob(filepath.Join(examples, "*.yaml"))
	require.NoError(t, err)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NoError(t, s.Check(text), file)
	}
}

// What the schema refuses the loader must refuse too.
func TestSchemaAndLoaderRefuseTheSame(t *testing.T) {
	s := documenttest.Compile(t, Schema())
	for _, c := range refused {
		if s.Check([]byte(c.text)) != nil {
			_, err := Load("t.yaml", c.text)
			require.Error(t, err, c.name)
		}
	}
	for _, text := range []string{
		head, head + "steps: []\n",
		head + "steps:\n  - {wait: 1 s, moment: a}\n",
		head + "steps:\n  - wait: 1 s\nfaults:\n  - {kind: leak}\n",
	} {
		require.Error(t, s.Check([]byte(text)), text)
	}
}

func TestSchemaAndLoaderKnowTheSameWords(t *testing.T) {
	s := documenttest.Compile(t, Schema())
	require.ElementsMatch(t, stepNames(), s.Keys(t, "$defs", "step"))
	var text struct {
		Defs struct {
			Fault struct {
				Properties struct {
					Kind struct{ Enum []string }
				}
			}
		} `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(Schema(), &text))
	require.Equal(t, faultNames(), text.Defs.Fault.Properties.Kind.Enum)
}

// The texts that a run carries must be what their readers take.
func TestTextsOfTheWagonLoad(t *testing.T) {
	for _, text := range []string{wagonDefinitions, wagonBlindDefinitions} {
		signals, err := signaldef.Load("wagon.yaml", []byte(text))
		require.NoError(t, err)
		require.NotEmpty(t, signals)
	}
	_, err := jobcard.Load("jobcard.yaml", []byte(wagonCard))
	require.NoError(t, err)
}
