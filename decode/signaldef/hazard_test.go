package signaldef_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/decode/signaldef"
)

// An absolute sensor taken for gauge shows 1.013 bar in an empty spring. So a pressure that does not
// say what it is measured from is refused, in each unit and for each kind of pressure.
func TestHazard01PressureNeedsItsReference(t *testing.T) {
	for _, kind := range []string{"corner: rear-left\n    quantity: pressure", "quantity: supply-pressure", "quantity: barometric-pressure"} {
		for _, unit := range quantity.Names(quantity.Pressure) {
			text := fmt.Sprintf("version: 1\nsignals:\n  - name: p\n    %s\n    unit: %s\n    from: {frame: 1, format: standard}\n    bytes: 0\n", kind, unit)
			_, err := signaldef.Load("a.yaml", []byte(text))
			require.ErrorContains(t, err, "a.yaml:3:5: reference: is missing", text)

			signals, err := signaldef.Load("a.yaml", []byte(text+"    reference: absolute\n"))
			require.NoError(t, err)
			require.Equal(t, decode.Absolute, signals[0].Reference)
		}
	}
}

// No table says whether the pressures of the standard's groups are gauge; the built-in says gauge and
// that nobody proved it.
func TestHazard01BuiltinPressuresAreAssumed(t *testing.T) {
	for _, s := range builtin(t, "j1939") {
		if s.Quantity == decode.Pressure {
			require.Equal(t, decode.Gauge, s.Reference)
			require.Equal(t, decode.Assumed, s.Proof)
		}
	}
}

// One sensor for several corners speaks for one of them at a time, and says when.
func TestHazard06SharedSensor(t *testing.T) {
	signals := byName(t, complete)
	for _, side := range []string{"left", "right"} {
		w := signals["front_"+side+"_pressure"].ValidWhile
		require.NotNil(t, w)
		require.Equal(t, "front_"+side+"_valve", w.Signal)
		require.True(t, w.Alone)
	}
}
