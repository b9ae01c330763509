package signaldef_test

import (
	"errors"
	"math/bits"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
	"ridewitness/decode/signaldef"
)

// FuzzLoad: any text loads, or is refused with a place; what loads keeps the promises that the
// decoder and the rules build on.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(good))
	for _, m := range mistakes {
		f.Add([]byte(strings.Replace(good, m.old, m.new, 1)))
	}
	text, err := os.ReadFile(complete)
	require.NoError(f, err)
	f.Add(text)
	f.Fuzz(func(t *testing.T, text []byte) {
		signals, err := signaldef.Load("f.yaml", text)
		if err != nil {
			var e *document.Error
			require.True(t, errors.As(err, &e), "%v", err)
			require.Positive(t, e.Line)
			require.Positive(t, e.Column)
			return
		}
		for _, s := range signals {
			requireSound(t, s)
		}
	})
}

func requireSound(t *testing.T, s decode.Signal) {
	t.Helper()
	require.NotEmpty(t, s.Name)
	require.NotZero(t, s.Quantity)
	require.NotZero(t, s.Origin.Kind)
	requireSoundField(t, s.Field)
	if s.When != nil {
		requireSoundField(t, s.When.Field)
	}
	require.NotZero(t, s.Scale)
	if s.Unit.Dimension == quantity.Pressure && s.Quantity != decode.Other {
		require.Contains(t, []decode.Reference{decode.Gauge, decode.Absolute}, s.Reference)
	}
	if s.HasValid {
		require.Less(t, s.ValidMin, s.ValidMax)
	}
	width := bits.OnesCount64(s.Field.Mask)
	for _, r := range s.InvalidRaw {
		require.LessOrEqual(t, r.From, r.To)
		require.LessOrEqual(t, bits.Len64(r.To), width)
	}
	for raw, word := range s.States {
		require.LessOrEqual(t, bits.Len64(raw), width)
		require.NotEmpty(t, word)
	}
}

func requireSoundField(t *testing.T, f decode.Field) {
	t.Helper()
	require.True(t, 0 <= f.From && f.From <= f.To && f.To-f.From < 8)
	require.NotZero(t, f.Order)
	require.NotZero(t, f.Mask)
	require.LessOrEqual(t, bits.Len64(f.Mask), 8*(f.To-f.From+1))
	require.Equal(t, bits.OnesCount64(f.Mask), bits.Len64(f.Mask)-bits.TrailingZeros64(f.Mask), "ones side by side")
}
