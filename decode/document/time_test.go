package document_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/document"
)

const second = 1_000_000_000

// The examples of RFC 3339, section 5.8, and their Unix seconds by hand.
func TestParseTime(t *testing.T) {
	for text, want := range map[string]int64{
		"1985-04-12T23:20:50.52Z":         482196050*second + 520_000_000,
		"1996-12-19T16:39:57-08:00":       851042397 * second,
		"1996-12-20T00:39:57Z":            851042397 * second,
		"1937-01-01T12:00:27.87+00:20":    -1041337173*second + 870_000_000,
		"1990-12-31T23:59:60Z":            662688000 * second, // the second after 23:59:59
		"1990-12-31T15:59:60-08:00":       662688000 * second,
		"1990-12-31T23:59:60.5Z":          662688000*second + 500_000_000,
		"2016-12-31T23:59:59Z":            1483228799 * second,
		"2026-03-02t09:14:05z":            1772442845 * second,
		"2026-03-02T09:14:05-00:00":       1772442845 * second,
		"2026-03-02T09:14:05.1234567899Z": 1772442845*second + 123_456_789, // cut, not rounded
		"2028-02-29T00:00:00+23:59":       1835395200*second - (23*3600+59*60)*second,
		"2261-12-31T23:59:59.999999999Z":  9214646399*second + 999_999_999,
		"1678-01-01T00:00:00Z":            -9214560000 * second,
	} {
		got, err := document.ParseTime(text)
		require.NoError(t, err, text)
		require.Equal(t, capture.Stamp(want), got, text)
	}
}

func TestParseTimeRefuses(t *testing.T) {
	const form, day, leap, far = "is no time with an offset from UTC (RFC 3339)", "is no day or hour that there is",
		"has a second 60 that is no leap second", "lies too far from today"
	for text, want := range map[string]string{
		"2026-02-29T00:00:00Z":      day,
		"2026-03-02T24:00:00Z":      day,
		"2026-13-02T00:00:00Z":      day,
		"2026-03-02T09:61:00Z":      day,
		"2026-03-02T09:14:61Z":      day,
		"2026-03-02 09:14:05":       form,
		"2026-03-02T09:14:05":       form,
		"2026-03-02T9:14:05Z":       form,
		"2026-03-02T09:14:05,5Z":    form,
		"2026-03-02T09:14:05.Z":     form,
		"2026-03-02T09:14:05+24:00": form,
		"2026-03-02T09:14:05+01:60": form,
		"2026-03-02T09:14:05+0100":  form,
		"2026-03-02":                form,
		"02.03.2026 09:14":          form,
		"":                          form,
		"2026-03-02T09:14:60Z":      leap,
		"1990-12-31T23:59:60+01:00": leap,
		"0000-01-01T00:00:00Z":      far,
		"9999-12-31T23:59:59Z":      far,
		"1677-12-31T23:59:59Z":      far,
		"2262-01-01T00:00:00Z":      far,
	} {
		_, err := document.ParseTime(text)
		require.EqualError(t, err, want, text)
	}
}
