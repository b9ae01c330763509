package signaldef_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/decode/signaldef"
)

// byName loads a file and returns its signals by their names.
func byName(t *testing.T, path string) map[string]decode.Signal {
	t.Helper()
	signals, err := signaldef.LoadFile(path)
	require.NoError(t, err)
	named := map[string]decode.Signal{}
	for _, s := range signals {
		named[s.Name] = s
	}
	require.Len(t, named, len(signals))
	return named
}

func load(t *testing.T, text string) []decode.Signal {
	t.Helper()
	signals, err := signaldef.Load("a.yaml", []byte(text))
	require.NoError(t, err)
	return signals
}

// one loads a text with one signal.
func one(t *testing.T, body string) decode.Signal {
	t.Helper()
	signals := load(t, "version: 1\nsignals:\n  - name: a\n    quantity: other\n    from: {frame: 1, format: standard}\n"+body)
	require.Len(t, signals, 1)
	return signals[0]
}

const complete = "../../testdata/definitions/complete.yaml"

func TestEverythingOfASignalIsKept(t *testing.T) {
	s := byName(t, complete)["front_left_height"]
	require.Equal(t, decode.Signal{
		Name: "front_left_height", Corner: decode.FrontLeft, Quantity: decode.Height, Unit: quantity.Millimetre, Reference: decode.Design,
		Origin: decode.Origin{Kind: decode.FromFrame, ID: 0x18FFA127, Extended: true},
		Field:  decode.Field{From: 10, To: 11, Order: decode.HighFirst, Mask: 0xFFFF, Signed: true},
		Scale:  0.1, HasValid: true, ValidMin: -150, ValidMax: 150, Uncertainty: 0.3,
		Place: complete + ":7:5",
	}, s)
}

func TestOrigins(t *testing.T) {
	signals := byName(t, complete)
	for name, want := range map[string]decode.Origin{
		"supply_pressure":     {Kind: decode.FromGroup, Group: 65198, Source: 0x30},
		"rear_left_pressure":  {Kind: decode.FromIdentifier, Identifier: 0x2B01, Length: 4, Bus: "can1", Address: decode.Address{Request: 0x6D4, Response: 0x6DC}},
		"battery_voltage":     {Kind: decode.FromIdentifier, Identifier: 0x2C30, Address: decode.Address{Request: 0x6E2, Response: 0x6EA, Mixed: true, Extension: 0x3A}},
		"bellows_temperature": {Kind: decode.FromIdentifier, Identifier: 0x2C31, Address: decode.Address{Request: 0x6F1, Response: 0x640, ByTarget: true, RequestTarget: 0x40, ReplyTarget: 0xF1}},
		"oil_level":           {Kind: decode.FromIdentifier, Identifier: 0x2C40, Address: decode.Address{Request: 0x18DA10F1, Response: 0x18DAF110, Extended: true}},
		"barometer":           {Kind: decode.FromParameter, Service: 1, Parameter: 0x33, Length: 1},
		"front_left_valve":    {Kind: decode.FromFrame, ID: 0x2F0, Bus: "can0"},
	} {
		require.Equal(t, want, signals[name].Origin, name)
	}
}

func TestSharedSensorAndMultiplexedFrame(t *testing.T) {
	signals := byName(t, complete)
	require.Equal(t, &decode.ValidWhile{Signal: "front_left_valve", Equals: "open", Alone: true, SettledNS: 2e9}, signals["front_left_pressure"].ValidWhile)
	require.Equal(t, &decode.When{Field: decode.Field{Order: decode.LowFirst, Mask: 0x0F}, Equals: 2}, signals["tank_pressure"].When)
	require.Equal(t, map[uint64]string{0: "closed", 1: "open"}, signals["front_right_valve"].States)
	require.Equal(t, decode.RearRight, byName(t, "../../testdata/definitions/wagon.yaml")["rear_right_valve"].Corner)
}

func TestDefaults(t *testing.T) {
	s := one(t, "    bytes: 3\n")
	require.Equal(t, decode.Field{From: 3, To: 3, Order: decode.LowFirst, Mask: 0xFF}, s.Field)
	require.Equal(t, 1.0, s.Scale)
	require.Zero(t, s.Offset)
	require.Equal(t, decode.Assumed, s.Proof)
	require.Zero(t, s.Uncertainty)
	require.False(t, s.HasValid)
}

func TestAMaskOfEightBytesHasAllItsOnes(t *testing.T) {
	require.Equal(t, uint64(math.MaxUint64), one(t, "    bytes: 0-7\n    order: low-first\n").Field.Mask)
	require.Equal(t, uint64(math.MaxUint64), one(t, "    bytes: 0-7\n    order: low-first\n    mask: 0xFFFFFFFFFFFFFFFF\n").Field.Mask)
}

func TestInvalidPatternsAndStates(t *testing.T) {
	s := one(t, "    bytes: 0-1\n    order: low-first\n    mask: 0xFFF0\n    invalid_raw: [0xFFF, {from: 0xFB0, to: 0xFEF}]\n    states: {0: empty, 0x7: full}\n")
	require.Equal(t, []decode.RawRange{{From: 0xFFF, To: 0xFFF}, {From: 0xFB0, To: 0xFEF}}, s.InvalidRaw)
	require.Equal(t, map[uint64]string{0: "empty", 7: "full"}, s.States)
}

// What looks like a mistake and is none.
func TestNotRefused(t *testing.T) {
	const head = "version: 1\nsignals:\n"
	frame := func(name, rest string) string {
		return "  - name: " + name + "\n    quantity: other\n    from: {frame: 0x4A1, format: standard" + rest
	}
	for name, text := range map[string]string{
		"two halves of a byte":             frame("a", "}\n    bytes: 0\n    mask: 0x0F\n") + frame("b", "}\n    bytes: 0\n    mask: 0xF0\n"),
		"two halves of a word, high-first": frame("a", "}\n    bytes: 0-1\n    order: high-first\n    mask: 0xFF00\n") + frame("b", "}\n    bytes: 1\n"),
		"the same bits on another bus":     frame("a", ", bus: can0}\n    bytes: 0\n") + frame("b", ", bus: can1}\n    bytes: 0\n"),
		"the same bits of another selector value": frame("a", "}\n    bytes: 1\n    when: {bytes: 0, equals: 1}\n") +
			frame("b", "}\n    bytes: 1\n    when: {bytes: 0, equals: 2}\n"),
		"another identifier of the same number": frame("a", "}\n    bytes: 0\n") +
			"  - name: b\n    quantity: other\n    from: {frame: 0x4A1, format: extended}\n    bytes: 0\n",
		"a range of one byte":   frame("a", "}\n    bytes: 3-3\n"),
		"the last byte of FD":   frame("a", "}\n    bytes: 63\n"),
		"a falling scale":       frame("a", "}\n    bytes: 0\n    scale: -0.5\n    valid: {min: -100, max: 0}\n"),
		"several other signals": frame("a", "}\n    bytes: 0\n") + frame("b", "}\n    bytes: 1\n"),
		"a group of two senders": "  - name: a\n    quantity: other\n    from: {parameter_group: 65112, source_address: 1}\n    bytes: 0\n" +
			"  - name: b\n    quantity: other\n    from: {parameter_group: 65112, source_address: 2}\n    bytes: 0\n",
		"one request id, two units by their first byte": "  - name: a\n    quantity: other\n    from: {data_identifier: 1, request: 0x6F1, response: 0x612, request_address: 0x12, response_address: 0xF1}\n    bytes: 0\n" +
			"  - name: b\n    quantity: other\n    from: {data_identifier: 1, request: 0x6F1, response: 0x640, request_address: 0x40, response_address: 0xF1}\n    bytes: 0\n",
		"one request id, two responses": "  - name: a\n    quantity: other\n    from: {data_identifier: 1, request: 0x7DF, response: 0x7E8}\n    bytes: 0\n" +
			"  - name: b\n    quantity: other\n    from: {data_identifier: 1, request: 0x7DF, response: 0x7E9}\n    bytes: 0\n",
		"a small identifier of 29 bits": "  - name: a\n    quantity: other\n    from: {data_identifier: 1, request: 0x1, response: 0x2, format: extended}\n    bytes: 0\n",
		"one word for two patterns":     frame("a", "}\n    bytes: 0\n    states: {0: off, 1: on, 2: on}\n"),
	} {
		t.Run(name, func(t *testing.T) { load(t, head+text) })
	}
}

// The bits of two signals meet or don't, whatever their order of bytes; by hand.
func TestOverlaps(t *testing.T) {
	for _, c := range []struct {
		name, a, b string
		meet       bool
	}{
		{"low nibble of the first byte, high-first", "bytes: 0-1\n    order: high-first\n    mask: 0x0F00", "bytes: 0\n    mask: 0x0F", true},
		{"low nibble of the first byte, low-first", "bytes: 0-1\n    order: low-first\n    mask: 0x0F00", "bytes: 0\n    mask: 0x0F", false},
		{"the same nibble of the second byte", "bytes: 0-1\n    order: low-first\n    mask: 0x0F00", "bytes: 1\n    mask: 0x0F", true},
		{"last bit of a long field", "bytes: 0-7\n    order: low-first\n    mask: 0x8000000000000000", "bytes: 7\n    mask: 0x80", true},
		{"beside a long field", "bytes: 0-7\n    order: low-first\n    mask: 0x8000000000000000", "bytes: 7\n    mask: 0x7F", false},
		{"apart", "bytes: 0-1\n    order: low-first", "bytes: 2-3\n    order: low-first", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "version: 1\nsignals:\n"
			for i, body := range []string{c.a, c.b} {
				text += "  - name: s" + string(rune('a'+i)) + "\n    quantity: other\n    from: {frame: 1, format: standard}\n    " + body + "\n"
			}
			_, err := signaldef.Load("a.yaml", []byte(text))
			require.Equal(t, c.meet, err != nil, "%v", err)
		})
	}
}

// Selectors of different bits can have their values at the same time.
func TestOtherSelectorIsNoOtherTime(t *testing.T) {
	text := "version: 1\nsignals:\n"
	for _, w := range []string{"a\n    when: {bytes: 0, mask: 0x0F, equals: 1}", "b\n    when: {bytes: 0, mask: 0xF0, equals: 2}"} {
		text += "  - name: " + w + "\n    quantity: other\n    from: {frame: 1, format: standard}\n    bytes: 1\n"
	}
	_, err := signaldef.Load("a.yaml", []byte(text))
	require.EqualError(t, err, "a.yaml:12:12: bytes: the field takes bits of byte 1 that a in line 3 uses, expected bits of its own, or another `when`")
}

// A length given once holds for all signals of the identifier.
func TestLengthIsShared(t *testing.T) {
	const from = "    quantity: other\n    from: {data_identifier: 1, request: 0x6D4, response: 0x6DC"
	signals := load(t, "version: 1\nsignals:\n  - name: a\n"+from+"}\n    bytes: 0\n  - name: b\n"+from+", length: 6}\n    bytes: 1\n")
	require.Equal(t, 6, signals[0].Origin.Length)
	require.Equal(t, 6, signals[1].Origin.Length)

	_, err := signaldef.Load("a.yaml", []byte("version: 1\nsignals:\n  - name: a\n"+from+"}\n    bytes: 6\n  - name: b\n"+from+", length: 6}\n    bytes: 1\n"))
	require.EqualError(t, err, "a.yaml:6:12: bytes: byte 6 lies past the end, expected bytes 0 to 5: line 7 gives the length 6")
}

func TestTooManySignals(t *testing.T) {
	text := "version: 1\nsignals:\n" + strings.Repeat("  - {name: a}\n", signaldef.MaxSignals+1)
	_, err := signaldef.Load("a.yaml", []byte(text))
	require.EqualError(t, err, "a.yaml:3:3: signals: the list has 4097 signals, expected 1 to 4096")
}

// Definitions that lost lines load, or say where they are wrong.
func TestCutDefinitions(t *testing.T) {
	text, err := os.ReadFile("../../testdata/definitions/wagon.yaml")
	require.NoError(t, err)
	lines := strings.SplitAfter(string(text), "\n")
	for n := range lines {
		signals, err := signaldef.Load("a.yaml", []byte(strings.Join(lines[:n], "")))
		if err != nil {
			require.Nil(t, signals)
			require.ErrorContains(t, err, "a.yaml:")
		}
	}
}

func TestLoadFileNamesTheFile(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "wagon.yaml")
	_, err := signaldef.LoadFile(missing)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, missing)
}

func TestLongestName(t *testing.T) {
	name := strings.Repeat("é", 64) // 128 bytes
	signals, err := signaldef.Load("wagon.yaml", []byte(strings.Replace(good, "name: oil_pressure", "name: "+name, 1)))
	require.NoError(t, err)
	require.Equal(t, name, signals[2].Name)
}
