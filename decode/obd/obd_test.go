package obd_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/obd"
)

func unhex(t testing.TB, text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err, text)
	return b
}

// Payloads as units send them, compared with a general packet-manipulation library and public tables
// of SAE J1979.
func TestAppendParameters(t *testing.T) {
	tests := []struct{ name, payload, want, problem string }{
		{"engine speed", "41 0C 1A F8", "0C=1A F8", ""},
		{"vehicle speed", "41 0D 32", "0D=32", ""},
		{"barometer", "41 33 65", "33=65", ""},
		{"module voltage", "41 42 30 D4", "42=30 D4", ""},
		{"ambient air", "41 46 3C", "46=3C", ""},
		{"run time", "41 1F 00 B4", "1F=00 B4", ""},
		{"three at once", "41 0C 1A F8 0D 32 33 65", "0C=1A F8, 0D=32, 33=65", ""},
		{"supported", "41 00 00 18 00 03 20 00 00 20 01", "00=00 18 00 03, 20=00 00 20 01", ""},
		{"none of those asked for", "41", "", ""},
		{"data that looks like a parameter", "41 0C 0D 0D 0D 0C", "0C=0D 0D, 0D=0C", ""},
		{"unknown parameter after a known one", "41 0D 32 9D 01", "0D=32", "byte 3: the length of parameter 0x9D is not known"},
		{"depends on the vehicle", "41 06 80", "", "byte 1: the length of parameter 0x06 is not known"},
		{"too short", "41 0C 1A", "", "byte 1: parameter 0x0C needs 2 bytes, 1 are left"},
		{"does not come out even", "41 0D 32 0D 32 0C 1A", "0D=32", "byte 5: parameter 0x0C needs 2 bytes, 1 are left"},
		{"frozen values", "42 0C 00 1A F8", "", "byte 0: this is no positive answer to service 0x01"},
		{"refused", "7F 01 12", "", "byte 0: this is no positive answer to service 0x01"},
		{"empty", "", "", "byte 0: this is no positive answer to service 0x01"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			payload := unhex(t, tt.payload)
			got, err := obd.AppendParameters(nil, payload)
			var texts []string
			for _, p := range got {
				texts = append(texts, fmt.Sprintf("%02X=% X", p.ID, payload[p.From:p.To]))
			}
			require.Equal(t, tt.want, strings.Join(texts, ", "))
			if tt.problem == "" {
				require.NoError(t, err)
				return
			}
			require.EqualError(t, err, tt.problem)
			var rest *obd.RestError
			require.True(t, errors.As(err, &rest))
		})
	}
}

// Identifiers of ISO 15765-4.
func TestIdentifiers(t *testing.T) {
	request, response := obd.StandardPair(0)
	require.Equal(t, capture.ID(0x7E0), request)
	require.Equal(t, capture.ID(0x7E8), response)
	request, response = obd.StandardPair(obd.StandardUnits - 1)
	require.Equal(t, capture.ID(0x7E7), request)
	require.Equal(t, capture.ID(0x7EF), response)
	request, response = obd.ExtendedPair(0x10)
	require.Equal(t, capture.ID(0x18DA10F1), request)
	require.Equal(t, capture.ID(0x18DAF110), response)
	require.Equal(t, capture.ID(0x18DB33F1), obd.FunctionalExtended)
	require.Equal(t, capture.ID(0x7DF), obd.Functional)
}

// Any list of parameters of known length comes back as it was put in.
func TestPartsAreWhatWasPutIn(t *testing.T) {
	known := map[uint8]int{0x00: 4, 0x0C: 2, 0x0D: 1, 0x1F: 2, 0x33: 1, 0x42: 2, 0x46: 1, 0x64: 5}
	rapid.Check(t, func(t *rapid.T) {
		payload := []byte{0x41}
		var want []obd.Parameter
		for range rapid.IntRange(0, 6).Draw(t, "parameters") {
			id := rapid.SampledFrom([]uint8{0x00, 0x0C, 0x0D, 0x1F, 0x33, 0x42, 0x46, 0x64}).Draw(t, "id")
			payload = append(payload, id)
			from := len(payload)
			payload = append(payload, rapid.SliceOfN(rapid.Byte(), known[id], known[id]).Draw(t, "data")...)
			want = append(want, obd.Parameter{ID: id, From: from, To: len(payload)})
		}
		got, err := obd.AppendParameters(nil, payload)
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func FuzzAppendParameters(f *testing.F) {
	for _, seed := range []string{"41 0C 1A F8 0D 32", "41 00 00 18 00 03", "41 9D", "41", "42 0C", ""} {
		f.Add(unhex(f, seed))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		got, err := obd.AppendParameters(nil, payload)
		at := 1
		for _, p := range got {
			require.Equal(t, at+1, p.From)
			require.Equal(t, payload[at], p.ID)
			require.LessOrEqual(t, p.To, len(payload))
			at = p.To
		}
		if err == nil {
			require.Equal(t, len(payload), at)
		}
	})
}
