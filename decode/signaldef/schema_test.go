package signaldef

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
)

// goodFiles are all definitions that the project ships or knows.
func goodFiles(t *testing.T) []string {
	t.Helper()
	var files []string
	for _, pattern := range []string{"builtin/*.yaml", "testdata/simulated/*.yaml", "../../testdata/definitions/*.yaml"} {
		found, err := filepath.Glob(pattern)
		require.NoError(t, err)
		require.NotEmpty(t, found, pattern)
		files = append(files, found...)
	}
	return files
}

func TestGoodFilesPassSchemaAndLoader(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	for _, file := range goodFiles(t) {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NoError(t, schema.Check(text), file)
		signals, err := Load(file, text)
		require.NoError(t, err)
		require.NotEmpty(t, signals)
	}
}

func TestSchemaAndLoaderKnowTheSameKeys(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	require.ElementsMatch(t, signalKeys, schema.Keys(t, "$defs", "signal"))
	require.ElementsMatch(t, fileKeys, schema.Keys(t))
	require.ElementsMatch(t, validKeys, schema.Keys(t, "$defs", "signal", "properties", "valid"))
	require.ElementsMatch(t, whenKeys, schema.Keys(t, "$defs", "when"))
	require.ElementsMatch(t, validWhileKeys, schema.Keys(t, "$defs", "validWhile"))
	names := []string{"frame", "group", "dataIdentifier", "parameter"}
	require.Len(t, sources, len(names))
	for i, s := range sources {
		require.ElementsMatch(t, s.keys, schema.Keys(t, "$defs", names[i]), names[i])
	}
}
