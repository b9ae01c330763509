package signaldef_test

import (
	"encoding/binary"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/signaldef"
)

func TestBuiltinsLoad(t *testing.T) {
	for _, name := range signaldef.BuiltinNames {
		signals, ok := signaldef.Builtin(name)
		require.True(t, ok)
		require.NotEmpty(t, signals)
		for _, s := range signals {
			require.True(t, strings.HasPrefix(s.Place, name+":"), s.Place)
			require.Equal(t, decode.Assumed, s.Proof)
		}
		opened, err := signaldef.Open(name)
		require.NoError(t, err)
		require.Equal(t, signals, opened)
	}
	for _, name := range []string{"", "j1939.yaml", "../schema.json", "builtin/obd", `..\obd`, "nothing"} {
		_, ok := signaldef.Builtin(name)
		require.False(t, ok, name)
	}
	_, err := signaldef.Open("nothing")
	require.Error(t, err)
}

// saeRow is a row of the public tables of SAE J1939-71: the first byte counted from 1.
type saeRow struct {
	name      string
	group     uint32
	firstByte int
	bytes     int
	scale     float64
	offset    float64
	unit      string
	reference decode.Reference
	greatest  float64 // value of the highest pattern that is one
}

// SAE J1939-71 as in public tables. The rear heights lie left, right like the pressures, although
// the numbers of the parameters are crossed.
var saeRows = []saeRow{
	{"front_left_pressure", 65112, 1, 2, 0.1, 0, "kPa", decode.Gauge, 6425.5},
	{"front_right_pressure", 65112, 3, 2, 0.1, 0, "kPa", decode.Gauge, 6425.5},
	{"rear_left_pressure", 65112, 5, 2, 0.1, 0, "kPa", decode.Gauge, 6425.5},
	{"rear_right_pressure", 65112, 7, 2, 0.1, 0, "kPa", decode.Gauge, 6425.5},
	{"front_left_height", 65113, 1, 2, 0.1, -3200, "mm", decode.Design, 3225.5},
	{"front_right_height", 65113, 3, 2, 0.1, -3200, "mm", decode.Design, 3225.5},
	{"rear_left_height", 65113, 5, 2, 0.1, -3200, "mm", decode.Design, 3225.5},
	{"rear_right_height", 65113, 7, 2, 0.1, -3200, "mm", decode.Design, 3225.5},
	{"engine_speed", 61444, 4, 2, 0.125, 0, "rpm", decode.NoReference, 8031.875},
	{"vehicle_speed", 65265, 2, 2, 1.0 / 256, 0, "km/h", decode.NoReference, 250.99609375},
	{"barometric_pressure", 65269, 1, 1, 0.5, 0, "kPa", decode.Absolute, 125},
	{"ambient_temperature", 65269, 4, 2, 0.03125, -273, "degC", decode.NoReference, 1734.96875},
	{"battery_voltage", 65271, 5, 2, 0.05, 0, "V", decode.NoReference, 3212.75},
	{"key_switch_voltage", 65271, 7, 2, 0.05, 0, "V", decode.NoReference, 3212.75},
	{"supply_pressure", 65198, 1, 1, 8, 0, "kPa", decode.Gauge, 2000},
	{"suspension_supply_pressure", 65198, 6, 1, 8, 0, "kPa", decode.Gauge, 2000},
}

func TestJ1939LiesWhereTheStandardSays(t *testing.T) {
	signals := builtin(t, "j1939")
	for _, row := range saeRows {
		t.Run(row.name, func(t *testing.T) {
			s, ok := signals[row.name]
			require.True(t, ok)
			require.Equal(t, decode.Origin{Kind: decode.FromGroup, Group: row.group, Source: decode.AnySource}, s.Origin)
			last := row.firstByte + row.bytes - 2
			all, firstInvalid := uint64(0xFFFF), uint64(0xFB00)
			if row.bytes == 1 {
				all, firstInvalid = 0xFF, 0xFB
			}
			require.Equal(t, decode.Field{From: row.firstByte - 1, To: last, Order: decode.LowFirst, Mask: all}, s.Field)
			require.Equal(t, row.unit, s.Unit.Name)
			require.Equal(t, row.reference, s.Reference)
			require.Equal(t, []decode.RawRange{{From: firstInvalid, To: all}}, s.InvalidRaw)
			require.InDelta(t, row.greatest, float64(firstInvalid-1)*row.scale+row.offset, 1e-9, "the row itself")
			require.InDelta(t, row.greatest, float64(firstInvalid-1)*s.Scale+s.Offset, 1e-9)
		})
	}
	require.Len(t, signals, len(saeRows)+1, "and the compressor")
	c := signals["compressor"]
	require.Equal(t, uint32(65198), c.Origin.Group)
	require.Equal(t, decode.Field{From: 6, To: 6, Order: decode.LowFirst, Mask: 0x03}, c.Field)
	require.Equal(t, map[uint64]string{0: "off", 1: "on"}, c.States)
	require.Equal(t, []decode.RawRange{{From: 2, To: 3}}, c.InvalidRaw)
}

func builtin(t *testing.T, name string) map[string]decode.Signal {
	t.Helper()
	signals, ok := signaldef.Builtin(name)
	require.True(t, ok)
	named := map[string]decode.Signal{}
	for _, s := range signals {
		named[s.Name] = s
	}
	return named
}

// Payloads made from the tables by hand, and what they say.
func TestJ1939Payloads(t *testing.T) {
	signals := builtin(t, "j1939")
	for _, c := range []struct {
		payload, signal string
		want            float64
	}{
		{"88 13 7B 13 00 FE FF FF", "front_left_pressure", 500.0},
		{"88 13 7B 13 00 FE FF FF", "front_right_pressure", 498.7},
		{"00 00 03 00 F5 03 FF FA", "rear_left_pressure", 101.3},
		{"00 00 03 00 F5 03 FF FA", "rear_right_pressure", 6425.5},
		{"00 7D 8D 7C FA 7D 00 FF", "front_left_height", 0},
		{"00 7D 8D 7C FA 7D 00 FF", "front_right_height", -11.5},
		{"00 7D 8D 7C FA 7D 00 FF", "rear_left_height", 25},
		{"F1 7D 82 00 19 00 F3 FF", "engine_speed", 800},
		{"F3 80 0C FF FF FF FF FF", "vehicle_speed", 12.5},
		{"CA FF FF D0 24 3D FF FF", "barometric_pressure", 101},
		{"CA FF FF D0 24 3D FF FF", "ambient_temperature", 21.5},
		{"FF FF FF FF EC 01 EB 01", "battery_voltage", 24.6},
		{"FF FF FF FF EC 01 EB 01", "key_switch_voltage", 24.55},
		{"69 FF 64 65 FF 70 FD FF", "supply_pressure", 840},
		{"69 FF 64 65 FF 70 FD FF", "suspension_supply_pressure", 896},
	} {
		s := signals[c.signal]
		raw := littleEndian(t, c.payload, s.Field)
		require.InDelta(t, c.want, float64(raw)*s.Scale+s.Offset, 1e-9, c.signal)
	}
}

// littleEndian takes one or two whole bytes out of a payload, with the standard library.
func littleEndian(t *testing.T, payload string, f decode.Field) uint16 {
	t.Helper()
	var data []byte
	for _, b := range strings.Fields(payload) {
		v, err := strconv.ParseUint(b, 16, 8)
		require.NoError(t, err)
		data = append(data, byte(v))
	}
	if f.From == f.To {
		return uint16(data[f.From])
	}
	return binary.LittleEndian.Uint16(data[f.From:])
}

// SAE J1979 as in public tables: bytes of the data, greatest pattern, its value.
func TestOBDLiesWhereTheStandardSays(t *testing.T) {
	signals := builtin(t, "obd")
	for _, row := range []struct {
		name            string
		parameter       uint8
		bytes           int
		least, greatest float64
	}{
		{"engine_speed", 0x0C, 2, 0, 16383.75},
		{"vehicle_speed", 0x0D, 1, 0, 255},
		{"barometric_pressure", 0x33, 1, 0, 255},
		{"module_voltage", 0x42, 2, 0, 65.535},
		{"ambient_temperature", 0x46, 1, -40, 215},
	} {
		s := signals[row.name]
		require.Equal(t, decode.Origin{Kind: decode.FromParameter, Service: 1, Parameter: row.parameter, Length: row.bytes}, s.Origin)
		require.Equal(t, 0, s.Field.From)
		require.Equal(t, row.bytes-1, s.Field.To)
		if row.bytes > 1 {
			require.Equal(t, decode.HighFirst, s.Field.Order)
		}
		require.InDelta(t, row.least, s.Offset, 1e-9)
		require.InDelta(t, row.greatest, float64(s.Field.Mask)*s.Scale+s.Offset, 1e-9)
	}
	require.Len(t, signals, 5)
}
