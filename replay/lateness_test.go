package replay

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The quantiles are those of the sorted list, up to an eighth more: the width of a bucket.
func TestLatenessAgreesWithTheSortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		late := rapid.SliceOfN(rapid.Int64Range(-1000, 1<<62), 1, 300).Draw(t, "late")
		var l lag
		for i, v := range late {
			l.add(time.Duration(v))
			late[i] = max(v, 0) // an early one counts as on time
		}
		slices.Sort(late)
		sum := l.sum()
		require.EqualValues(t, len(late), sum.Count)
		require.EqualValues(t, late[len(late)-1], sum.Max)
		for percent, got := range map[int]time.Duration{50: sum.P50, 99: sum.P99} {
			exact := late[(len(late)*percent+99)/100-1] // nearest rank
			require.GreaterOrEqual(t, int64(got), exact, "%d %%", percent)
			require.LessOrEqual(t, float64(got), float64(exact)*1.125+1, "%d %%", percent)
		}
	})
}

func TestLatenessInWords(t *testing.T) {
	var l lag
	require.Equal(t, "nothing was waited for", l.sum().String())
	require.Zero(t, l.sum().P99)
	for range 99 {
		l.add(16 * time.Microsecond)
	}
	l.add(3 * time.Millisecond)
	require.Equal(t, "100 deadlines: half within 16µs, 99 in 100 within 16µs, the latest 3ms late", l.sum().String())
	text, err := json.Marshal(l.sum())
	require.NoError(t, err)
	require.JSONEq(t, `{"count":100,"p50_us":16,"p99_us":16,"max_us":3000}`, string(text))
}
