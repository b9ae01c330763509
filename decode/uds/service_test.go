package uds_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/uds"
)

func TestParseRequest(t *testing.T) {
	tests := []struct {
		bytes string
		want  uds.Request
		whole bool
	}{
		{"10 83", uds.Request{Service: 0x10, Sub: 3, HasSub: true, Suppressed: true}, true},
		{"22 2B 01 2B 02", uds.Request{Service: 0x22, Identifier: 0x2B01, HasID: true}, true},
		{"31 81 03 01 AA", uds.Request{Service: 0x31, Sub: 1, HasSub: true, Suppressed: true, Identifier: 0x0301, HasID: true}, true},
		{"2F 2B 10 03 FF", uds.Request{Service: 0x2F, Identifier: 0x2B10, HasID: true, Control: 3, HasControl: true}, true},
		{"14 FF FF FF", uds.Request{Service: 0x14}, true},
		{"BA 80", uds.Request{Service: 0xBA}, true},
		{"", uds.Request{}, false},
		{"31", uds.Request{Service: 0x31}, false},
		{"31 01 03", uds.Request{Service: 0x31, Sub: 1, HasSub: true}, false},
		{"22 2B", uds.Request{Service: 0x22}, false},
		{"2F 2B 10", uds.Request{Service: 0x2F, Identifier: 0x2B10, HasID: true}, false},
	}
	for _, tt := range tests {
		got, whole := uds.ParseRequest(unhex(t, tt.bytes))
		require.Equal(t, tt.want, got, tt.bytes)
		require.Equal(t, tt.whole, whole, tt.bytes)
	}
}

func TestParseAnswer(t *testing.T) {
	tests := []struct {
		bytes string
		want  uds.Answer
		whole bool
	}{
		{"50 03 00 32 01 F4", uds.Answer{Service: 0x10, Sub: 3, HasSub: true}, true},
		{"71 03 03 01 02", uds.Answer{Service: 0x31, Sub: 3, HasSub: true, Identifier: 0x0301, HasID: true}, true},
		{"C5 02", uds.Answer{Service: 0x85, Sub: 2, HasSub: true}, true},
		{"7F 31 22", uds.Answer{Service: 0x31, Negative: true, Code: uds.ConditionsNotCorrect}, true},
		{"7F 31", uds.Answer{Negative: true}, false},
		{"71", uds.Answer{Service: 0x31}, false},
		{"62 2B", uds.Answer{Service: 0x22}, false},
		{"31 01 03 01", uds.Answer{}, false},
		{"", uds.Answer{}, false},
	}
	for _, tt := range tests {
		got, whole := uds.ParseAnswer(unhex(t, tt.bytes))
		require.Equal(t, tt.want, got, tt.bytes)
		require.Equal(t, tt.whole, whole, tt.bytes)
	}
}

// Names of ISO 14229-1, as a general packet-manipulation library has them too.
func TestNames(t *testing.T) {
	require.Equal(t, "RoutineControl", uds.RoutineControl.String())
	require.Equal(t, "ReadDataByIdentifier", uds.Service(0x22).String())
	require.Equal(t, "service 0xBA", uds.Service(0xBA).String())
	require.Equal(t, "conditionsNotCorrect", uds.Code(0x22).String())
	require.Equal(t, "conditions not correct", uds.Code(0x22).Words())
	require.Equal(t, "requestOutOfRange", uds.Code(0x31).String())
	require.Equal(t, "vehicleManufacturerSpecificConditionsNotCorrect", uds.Code(0xF0).String())
	require.Equal(t, "vehicleManufacturerSpecificConditionsNotCorrect", uds.Code(0xFE).String())
	require.Equal(t, "code 0xFF", uds.Code(0xFF).String())
	require.Equal(t, "code 0x01, which the standard does not name", uds.Code(1).Words())
	require.Equal(t, "extended session", uds.SessionWords(3))
	require.Equal(t, "default session", uds.SessionWords(1))
	require.Equal(t, "programming session", uds.SessionWords(2))
	require.Equal(t, "safety system session", uds.SessionWords(4))
	require.Equal(t, "session 0x60", uds.SessionWords(0x60))
	require.Equal(t, "cannot tell", uds.Verdict(0).String())
	require.Equal(t, "Verdict(200)", uds.Verdict(200).String())
}

// No name may carry a word that could be read as permission.
func TestWordsPromiseNothing(t *testing.T) {
	banned := []string{"safe", "ok", "ready", "clear", "green"}
	for c := range 256 {
		for _, word := range strings.FieldsFunc(uds.Code(c).Words(), func(r rune) bool { return r == ' ' || r == ',' }) {
			require.NotContains(t, banned, strings.ToLower(word))
		}
	}
}

// lengths of the identifiers in the traces.
func lengths(known map[uint16]int) uds.Lengths {
	return func(id uint16) (int, bool) {
		n, ok := known[id]
		return n, ok
	}
}

func TestAppendRecords(t *testing.T) {
	both := map[uint16]int{0x2B01: 2, 0x2B02: 2}
	tests := []struct {
		name    string
		request string
		answer  string
		known   map[uint16]int
		want    string
		problem string
	}{
		{"two of two", "22 2B 01 2B 02", "62 2B 01 01 F4 2B 02 01 90", both, "2B01=01 F4, 2B02=01 90", ""},
		{"the second only", "22 2B 01 2B 02", "62 2B 02 01 90", both, "2B02=01 90", ""},
		{"the first has no known length", "22 2B 01 2B 02", "62 2B 01 01 F4 2B 02 01 90", map[uint16]int{0x2B02: 2}, "",
			"byte 1, identifier 0x2B01: its length is not defined and others may follow it"},
		{"the last has no known length", "22 2B 01 2B 02", "62 2B 01 01 F4 2B 02 01 90 00", map[uint16]int{0x2B01: 2},
			"2B01=01 F4, 2B02=01 90 00", ""},
		{"data that looks like an identifier", "22 2B 01", "62 2B 01 2B 02", both, "2B01=2B 02", ""},
		{"the same, none known", "22 2B 01", "62 2B 01 2B 02", nil, "2B01=2B 02", ""},
		{"the same, another awaited", "22 2B 01 2B 02", "62 2B 01 2B 02 2B 02 00 01", both, "2B01=2B 02, 2B02=00 01", ""},
		{"one identifier twice", "22 2B 01 2B 01", "62 2B 01 00 01 2B 01 00 02", both, "2B01=00 01, 2B01=00 02", ""},
		{"asked once, there twice", "22 2B 01", "62 2B 01 00 01 2B 01 00 02", both, "2B01=00 01",
			"byte 5, identifier 0x2B01: bytes are left over after it (4), and no other identifier is awaited"},
		{"out of order", "22 2B 01 2B 02 2B 03", "62 2B 02 00 01 2B 01 00 02", both, "2B02=00 01",
			"byte 5, identifier 0x2B01: it is not one that was asked for and is still awaited"},
		{"too long for its definition", "22 2B 01", "62 2B 01 00 01 02", both, "2B01=00 01",
			"byte 5, identifier 0x2B01: bytes are left over after it (1), and no other identifier is awaited"},
		{"one byte left, another awaited", "22 2B 01 2B 02", "62 2B 01 00 01 02", both, "2B01=00 01",
			"byte 5, identifier 0x0000: one byte is left, an identifier needs two"},
		{"no identifier asked for", "22", "62 2B 01 00", both, "",
			"byte 1, identifier 0x0000: bytes are left over after it (3), and no other identifier is awaited"},
		{"too short for its definition", "22 2B 01", "62 2B 01 00", both, "",
			"byte 1, identifier 0x2B01: its 2 bytes of data are not all there"},
		{"a wrong length before the others", "22 2B 01 2B 02 2B 03", "62 2B 01 00 01 02 2B 02 00 01 2B 03 00", both, "2B01=00 01",
			"byte 5, identifier 0x022B: it is not one that was asked for and is still awaited"},
		{"no request, all known", "", "62 2B 01 01 F4 2B 02 01 90", both, "2B01=01 F4, 2B02=01 90", ""},
		{"no request, the last not known", "", "62 2B 01 01 F4 2B 03 01", both, "2B01=01 F4",
			"byte 5, identifier 0x2B03: its length is not defined and others may follow it"},
		{"a negative length", "22 2B 01", "62 2B 01 00", map[uint16]int{0x2B01: -3}, "",
			"byte 1, identifier 0x2B01: its -3 bytes of data are not all there"},
		{"nothing in it", "22 2B 01", "62", both, "", ""},
		{"empty", "22 2B 01", "", both, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			answer := unhex(t, tt.answer)
			got, err := uds.AppendRecords(nil, unhex(t, tt.request), answer, lengths(tt.known))
			var texts []string
			for _, r := range got {
				texts = append(texts, fmt.Sprintf("%04X=% X", r.Identifier, answer[r.From:r.To]))
			}
			require.Equal(t, tt.want, strings.Join(texts, ", "))
			if tt.problem == "" {
				require.NoError(t, err)
				return
			}
			require.EqualError(t, err, tt.problem)
			var rest *uds.RestError
			require.True(t, errors.As(err, &rest))
		})
	}
}

// Records already in dst stay.
func TestAppendRecordsAppends(t *testing.T) {
	there := []uds.Record{{Identifier: 1}}
	got, err := uds.AppendRecords(there, unhex(t, "22 2B 01 2B 02"), unhex(t, "62 2B 01 00 2B 02"), lengths(map[uint16]int{0x2B01: 1, 0x2B02: 1}))
	require.Error(t, err)
	require.Equal(t, []uds.Record{{Identifier: 1}, {Identifier: 0x2B01, From: 3, To: 4}}, got)
}
