package signaldef_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/signaldef"
)

func set(t *testing.T, file, text string) []decode.Signal {
	t.Helper()
	signals, err := signaldef.Load(file, []byte("version: 1\nsignals:\n"+text))
	require.NoError(t, err)
	return signals
}

const (
	ownSpeed = "  - {name: own_speed, quantity: engine-speed, unit: rpm, from: {frame: 0x0A8, format: standard}, bytes: 0}\n"
	ownOther = "  - {name: lamp, quantity: other, from: {frame: 0x0A9, format: standard}, bytes: 0}\n"
)

func TestLaterReplacesTheSameQuantity(t *testing.T) {
	j1939, _ := signaldef.Builtin("j1939")
	merged, replaced, err := signaldef.Merge(j1939, set(t, "own.yaml", ownSpeed+ownOther))
	require.NoError(t, err)
	require.Len(t, merged, len(j1939)+1)
	require.Len(t, replaced, 1)
	require.Equal(t, "engine_speed", replaced[0].Old.Name)
	require.Equal(t, "own_speed", replaced[0].New.Name)
	require.Equal(t, "the engine-speed: own_speed (own.yaml:3:5) replaces engine_speed ("+replaced[0].Old.Place+")", replaced[0].String())
	for i := range j1939 {
		if j1939[i].Quantity != decode.EngineSpeed {
			require.Equal(t, j1939[i], merged[i], "the others stay in their places")
		} else {
			require.Equal(t, "own_speed", merged[i].Name)
		}
	}
}

func TestOtherSignalsAreReplacedByName(t *testing.T) {
	a := set(t, "a.yaml", ownOther)
	b := set(t, "b.yaml", "  - {name: lamp, quantity: other, from: {frame: 0x0B0, format: standard}, bytes: 1}\n")
	merged, replaced, err := signaldef.Merge(a, b)
	require.NoError(t, err)
	require.Equal(t, b, merged)
	require.Len(t, replaced, 1)
}

func TestBuiltinsGoTogether(t *testing.T) {
	j1939, _ := signaldef.Builtin("j1939")
	obd, _ := signaldef.Builtin("obd")
	merged, replaced, err := signaldef.Merge(j1939, obd)
	require.NoError(t, err)
	require.Len(t, replaced, len(obd), "every quantity of obd is one of j1939 too")
	require.Len(t, merged, len(j1939))
	merged, replaced, err = signaldef.Merge()
	require.NoError(t, err)
	require.Empty(t, merged)
	require.Empty(t, replaced)
}

func TestMergeDoesNotTouchItsSets(t *testing.T) {
	a, b := set(t, "a.yaml", ownSpeed), set(t, "b.yaml", "  - {name: faster, quantity: engine-speed, unit: rpm, from: {frame: 1, format: standard}, bytes: 0}\n")
	_, _, err := signaldef.Merge(a, b)
	require.NoError(t, err)
	require.Equal(t, "own_speed", a[0].Name)
}

func TestMergeRefuses(t *testing.T) {
	const valve = "  - {name: left_valve, corner: rear-left, quantity: valve, from: {frame: 1, format: standard}, bytes: 0, states: {0: closed, 1: open}}\n"
	const waits = "  - {name: shared, corner: rear-left, quantity: pressure, unit: bar, reference: gauge, from: {frame: 2, format: standard}, bytes: 0, valid_while: {signal: left_valve, equals: open}}\n"
	const answer = "  - {name: a, quantity: other, from: {data_identifier: 1, request: 0x6D4, response: 0x6DC}, bytes: 0}\n"
	for _, c := range []struct{ name, a, b, want string }{
		{"two signals of one name", ownOther, "  - {name: lamp, quantity: vehicle-speed, unit: km/h, from: {frame: 1, format: standard}, bytes: 0}\n",
			"b.yaml:3:5: lamp: is the name of a signal in a.yaml:3:5 too, expected a name of its own"},
		{"what one waits for is replaced", valve + waits, "  - {name: own_valve, corner: rear-left, quantity: valve, from: {frame: 3, format: standard}, bytes: 0, states: {0: closed}}\n",
			"a.yaml:4:5: shared: waits for left_valve to be open, which was replaced, expected a signal of that name and state"},
		{"answers that can't be told apart", answer, "  - {name: b, quantity: other, from: {data_identifier: 1, request: 0x6D5, response: 0x6DC}, bytes: 0}\n",
			"b.yaml:3:5: b: its answers can't be told from those of a (a.yaml:3:5), expected a response identifier for each request identifier"},
		{"two lengths of one identifier", "  - {name: a, quantity: other, from: {data_identifier: 1, request: 0x6D4, response: 0x6DC, length: 4}, bytes: 0}\n",
			"  - {name: b, quantity: other, from: {data_identifier: 1, request: 0x6D4, response: 0x6DC, length: 6}, bytes: 1}\n",
			"b.yaml:3:5: b: its identifier has 6 bytes, and 4 in a.yaml:3:5, expected the same length everywhere"},
		{"a request that is another's answer", answer, "  - {name: b, quantity: other, from: {data_identifier: 1, request: 0x6DC, response: 0x6D4}, bytes: 0}\n",
			"b.yaml:3:5: b: its requests and answers can't be told from those of a (a.yaml:3:5), expected a response identifier for each request identifier"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := signaldef.Merge(set(t, "a.yaml", c.a), set(t, "b.yaml", c.b))
			require.EqualError(t, err, c.want)
			var e *signaldef.MergeError
			require.ErrorAs(t, err, &e)
		})
	}
}

// Addresses on different buses are different conversations.
func TestMergeOfTwoBuses(t *testing.T) {
	a := set(t, "a.yaml", "  - {name: a, quantity: other, from: {data_identifier: 1, request: 0x6D4, response: 0x6DC, bus: can0}, bytes: 0}\n")
	b := set(t, "b.yaml", "  - {name: b, quantity: other, from: {data_identifier: 1, request: 0x6D5, response: 0x6DC, bus: can1}, bytes: 0}\n")
	merged, _, err := signaldef.Merge(a, b)
	require.NoError(t, err)
	require.Len(t, merged, 2)
}
