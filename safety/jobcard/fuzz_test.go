package jobcard_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document"
	"ridewitness/safety/jobcard"
)

// FuzzLoad: any text loads, or is refused with a place; what loads holds only finite numbers inside
// the bounds that its rules count on.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(good))
	for _, m := range mistakes {
		f.Add([]byte(strings.Replace(good, m.old, m.new, 1)))
	}
	complete, err := os.ReadFile(filepath.Join("..", "..", "testdata", "jobcards", "complete.yaml"))
	require.NoError(f, err)
	f.Add(complete)
	f.Fuzz(func(t *testing.T, text []byte) {
		card, err := jobcard.Load("card.yaml", text)
		if err != nil {
			var e *document.Error
			require.True(t, errors.As(err, &e), "%v", err)
			require.Positive(t, e.Line)
			require.Positive(t, e.Column)
			return
		}
		for _, s := range card.Springs {
			if s != nil && s.LeastBar.Known && s.GreatestBar.Known {
				require.Less(t, s.LeastBar.Value, s.GreatestBar.Value)
			}
		}
		for _, name := range jobcard.LimitNames {
			if l, ok := card.Limits[name.Name]; ok {
				require.True(t, l.Value >= name.Least && l.Value <= name.Most)
			}
		}
	})
}
