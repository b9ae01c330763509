package jobcard

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
)

func TestGoodCardsPassSchemaAndLoader(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	for _, pattern := range []string{"testdata/simulated/*.yaml", "../../testdata/jobcards/*.yaml"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		require.NotEmpty(t, files, pattern)
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			require.NoError(t, schema.Check(text), file)
			_, err = Load(file, text)
			require.NoError(t, err)
		}
	}
}

func TestSchemaAndLoaderKnowTheSameKeys(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	require.ElementsMatch(t, cardKeys, schema.Keys(t))
	require.ElementsMatch(t, vehicleKeys, schema.Keys(t, "properties", "vehicle"))
	for name, keys := range map[string][]string{
		"spring": springKeys, "newSpring": newSpringKeys, "height": heightKeys, "reading": readingKeys,
		"limits": limitKeys(), "stage": stageKeys, "said": saidKeys,
	} {
		require.ElementsMatch(t, keys, schema.Keys(t, "$defs", name), name)
	}
}

// Any letter that is free, in either case, is a key by loader and schema; any other is none.
func TestSchemaAndLoaderKnowTheSameMarkKeys(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	free := 0
	for letter := rune(' ' + 1); letter < 0x7F; letter++ {
		text := []byte("version: 1\nmarks: {ballast-in: '" + string(letter) + "'}\n")
		if letter == '\'' {
			continue
		}
		_, err := Load("card.yaml", text)
		require.Equal(t, err == nil, schema.Check(text) == nil, "key %q", letter)
		if err == nil {
			free++
		}
	}
	require.Equal(t, 2*(26-8), free, "26 letters in two cases, 8 of them the screen's own")
}

func TestSchemaAndLoaderKnowTheSameMarks(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	for _, name := range BuiltinMarks {
		text := []byte("version: 1\nmarks: {" + name + ": t}\n")
		_, err := Load("card.yaml", text)
		require.Error(t, err, name)
		require.Error(t, schema.Check(text), name)
	}
}
