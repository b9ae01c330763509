package signaldef_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
	"ridewitness/decode/signaldef"
)

// good is what each case below changes in one place.
const good = `version: 1
signals:
  - name: rear_left_pressure
    corner: rear-left
    quantity: pressure
    unit: bar
    reference: gauge
    from: {frame: 0x4A1, format: standard, bus: can0}
    bytes: 1-2
    order: low-first
    mask: 0xFFF0
    scale: 0.01
    valid: {min: 0, max: 20}
    invalid_raw: [0xFFF]
  - name: rear_left_valve
    corner: rear-left
    quantity: valve
    from: {frame: 0x4A1, format: standard, bus: can0}
    bytes: 0
    mask: 0x03
    states: {0: closed, 1: open}
  - name: oil_pressure
    quantity: other
    unit: bar
    from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC}
    bytes: 0-1
    order: high-first
`

// mistake is a change to a good text and what is said about it.
type mistake struct {
	name     string
	old, new string
	seenBy   witness
	want     string // without the name of the file
}

// witness says who sees a mistake: loader and schema, or the loader alone.
type witness uint8

const (
	both witness = iota
	loader
)

func (m mistake) text(t *testing.T, good string) string {
	t.Helper()
	require.Equal(t, 1, strings.Count(good, m.old), "the text to change must be there once: %q", m.old)
	return strings.Replace(good, m.old, m.new, 1)
}

const (
	pressureFrom = "from: {frame: 0x4A1, format: standard, bus: can0}\n    bytes: 1-2"
	oilFrom      = "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC}"
	lastLine     = "    bytes: 0-1\n    order: high-first\n"
)

// mistakes are what people get wrong, and what helps them. Each has one message.
var mistakes = []mistake{
	{"version of the future", "version: 1", "version: 2",
		both, "1:10: version: 2 is out of range, expected 1"},
	{"no version", "version: 1\n", "",
		both, "1:1: version: is missing, expected version: 1"},
	{"unknown key, one letter off", "order: low-first", "ordr: low-first",
		both, "10:5: ordr: is no key that is known here, expected order"},
	{"unknown key, a dash for an underscore", "invalid_raw:", "invalid-raw:",
		both, "14:5: invalid-raw: is no key that is known here, expected invalid_raw"},
	{"unknown key, nothing like it", "scale: 0.01", "gain: 0.01",
		both, "12:5: gain: is no key that is known here, expected name, corner, quantity, unit, reference, from, bytes, order, mask, signed, scale, offset, valid, invalid_raw, states, when, valid_while, proof or uncertainty"},
	{"key twice", "scale: 0.01", "scale: 0.01\n    scale: 0.02",
		both, "13:5: scale: is given twice, first in line 12, expected each key once"},
	{"pressure without reference", "    reference: gauge\n", "",
		both, "3:5: reference: is missing, expected gauge or absolute: an absolute sensor taken for gauge shows 1 bar that is not there"},
	{"pressure relative to design", "reference: gauge", "reference: design",
		both, `7:16: reference: found "design", expected gauge or absolute`},
	{"pressure without corner", "  - name: rear_left_pressure\n    corner: rear-left\n", "  - name: rear_left_pressure\n",
		both, "3:5: corner: is missing, expected front-left, front-right, rear-left or rear-right (for the reservoir: quantity: supply-pressure)"},
	{"fifth corner", "corner: rear-left\n    quantity: pressure", "corner: third-left\n    quantity: pressure",
		both, "4:13: corner: third-left is no corner, expected front-left, front-right, rear-left or rear-right; on a third axle: quantity: other"},
	{"unknown quantity", "quantity: pressure", "quantity: presure",
		both, `5:15: quantity: found "presure", expected pressure`},
	{"unit of another dimension", "unit: bar\n    reference", "unit: mm\n    reference",
		both, "6:11: unit: mm is no unit of pressure, expected bar, kPa or Pa"},
	{"unit that definitions do not have", "unit: bar\n    reference", "unit: psi\n    reference",
		both, `6:11: unit: found "psi", expected bar, kPa, Pa, mm, m, degC, K, rpm, km/h or V`},
	{"no unit", "    unit: bar\n    reference", "    reference",
		both, "3:5: unit: is missing, expected bar, kPa or Pa"},
	{"no name", "  - name: rear_left_pressure\n    corner", "  - corner",
		both, "3:5: name: is missing, expected a name such as rear_left_pressure"},
	{"name with a space", "name: rear_left_pressure", "name: rear left",
		both, "3:11: name: rear left is no name, expected up to 64 letters, digits, '_', '-' and '.', a letter first"},
	{"name of 65 letters", "name: rear_left_pressure", "name: " + strings.Repeat("é", 65),
		both, "3:11: name: " + strings.Repeat("é", 40) + "... is no name, expected up to 64 letters, digits, '_', '-' and '.', a letter first"},
	{"name twice", "name: rear_left_valve", "name: rear_left_pressure",
		loader, "15:11: name: rear_left_pressure is the name of the signal in line 3 too, expected a name of its own"},
	{"no source", "    from: {frame: 0x4A1, format: standard, bus: can0}\n    bytes: 1-2", "    bytes: 1-2",
		both, "3:5: from: is missing, expected where the payload comes from, such as {frame: 0x4A1, format: standard}"},
	{"source of an unknown kind", pressureFrom, "from: {can: 0x4A1}\n    bytes: 1-2",
		both, "8:11: from: nothing says where the payload comes from, expected a map with frame, parameter_group, data_identifier or parameter_id"},
	{"format left out", pressureFrom, "from: {frame: 0x4A1}\n    bytes: 1-2",
		both, "8:11: from.format: is missing, expected standard (11 bit) or extended (29 bit)"},
	{"11 bits do not hold the identifier", pressureFrom, "from: {frame: 0x18FE5827, format: standard}\n    bytes: 1-2",
		both, "8:19: from.frame: 0x18FE5827 is out of range, expected a whole number from 0 to 0x7FF"},
	{"29 bits do not hold the identifier", pressureFrom, "from: {frame: 0x20000000, format: extended}\n    bytes: 1-2",
		both, "8:19: from.frame: 0x20000000 is out of range, expected a whole number from 0 to 0x1FFFFFFF"},
	{"key of another source", pressureFrom, "from: {frame: 0x4A1, format: standard, source_address: any}\n    bytes: 1-2",
		both, "8:44: from.source_address: is no key that is known here, expected frame, format or bus"},
	{"bus name too long", "bus: can0}\n    bytes: 1-2", "bus: the-second-can-bus}\n    bytes: 1-2",
		both, "8:49: from.bus: the-second-can-bus is too long, expected the name of a bus, such as can0"},
	{"bytes backwards", "bytes: 1-2", "bytes: 2-1",
		loader, "9:12: bytes: 2-1 runs backwards, expected 1-2, and order: high-first or low-first"},
	{"nine bytes", "bytes: 1-2", "bytes: 0-8",
		loader, "9:12: bytes: 0-8 are 9 bytes, expected at most 8; a field whose 64 bits touch nine bytes can't be written"},
	{"past the end of a frame", "bytes: 1-2", "bytes: 63-64",
		loader, "9:12: bytes: byte 64 lies past the end, expected bytes 0 to 63: a frame has at most 64 bytes (classic frames 8)"},
	{"bytes as a start bit", "bytes: 1-2", "bytes: 12|12",
		both, "9:12: bytes: 12|12 is no range of bytes, expected a range such as 1-2, or one byte such as 3, counted from 0"},
	{"no order for two bytes", "    order: low-first\n", "",
		both, "3:5: order: is missing, expected low-first or high-first: which of the bytes is the least significant"},
	{"order in other words", "order: low-first", "order: little",
		both, `10:12: order: found "little", expected low-first or high-first`},
	{"mask of nothing", "mask: 0xFFF0", "mask: 0",
		both, "11:11: mask: 0 selects no bit, expected the bits of the value, such as 0xFFF0"},
	{"mask with a hole", "mask: 0xFFF0", "mask: 0xF0F",
		loader, "11:11: mask: 0xF0F has a hole, expected ones side by side, such as 0xFFF0"},
	{"mask wider than its bytes", "mask: 0xFFF0", "mask: 0x1FFF0",
		loader, "11:11: mask: 0x1FFF0 reaches outside the bytes, expected at most 0xFFFF for bytes 1-2"},
	{"mask as a text", "mask: 0xFFF0", "mask: '0xFFF0'",
		both, `11:11: mask: found the text "0xFFF0", expected a whole number such as 26 or 0x1A`},
	{"mask in binary", "mask: 0xFFF0", "mask: 0b1111",
		loader, `11:11: mask: found "0b1111", expected a whole number such as 26 or 0x1A`},
	{"scale with a comma", "scale: 0.01", "scale: 0,01",
		both, `12:12: scale: found "0,01", expected a number such as 0.01`},
	{"scale zero", "scale: 0.01", "scale: 0",
		both, "12:12: scale: with 0 every value is the same, expected a number other than 0"},
	{"scale without bounds", "scale: 0.01", "scale: .inf",
		both, `12:12: scale: found ".inf", expected a number such as 0.01`},
	{"scale beyond all bounds", "scale: 0.01", "scale: 1e306",
		loader, "12:12: scale: the field times 1e+306 is out of range, expected values that fit into 64 bits"},
	{"a corner of the whole vehicle", "    quantity: other\n", "    quantity: supply-pressure\n    reference: gauge\n    corner: rear-left\n",
		both, "25:13: corner: supply-pressure belongs to the whole vehicle, expected no corner"},
	{"signed yes", "scale: 0.01", "signed: yes",
		both, `12:13: signed: found "yes", expected true or false`},
	{"valid upside down", "valid: {min: 0, max: 20}", "valid: {min: 20, max: 0}",
		loader, "13:12: valid: min 20 is not below max 0, expected min below max"},
	{"valid half", "valid: {min: 0, max: 20}", "valid: {min: 0}",
		both, "13:12: valid.max: is missing, expected the greatest value, in the unit of the signal"},
	{"valid out of reach", "valid: {min: 0, max: 20}", "valid: {min: 50, max: 1700}",
		loader, "13:12: valid: the field reaches from 0 to 40.95, never into 50 to 1700, expected a range in the unit of the signal, after scale and offset"},
	{"invalid pattern wider than the mask", "invalid_raw: [0xFFF]", "invalid_raw: [0xFFF0]",
		loader, "14:19: invalid_raw: 0xFFF0 is out of range, expected a whole number from 0 to 0xFFF"},
	{"invalid pattern not in a list", "invalid_raw: [0xFFF]", "invalid_raw: 0xFFF",
		both, `14:18: invalid_raw: found "0xFFF", expected a list such as [0xFFF] or [{from: 0xFB00, to: 0xFFFF}]`},
	{"invalid range backwards", "invalid_raw: [0xFFF]", "invalid_raw: [{from: 0xFFF, to: 0xFF0}]",
		loader, "14:19: invalid_raw: the range from 0xFFF to 0xFF0 runs backwards, expected the lower pattern first"},
	{"state of another quantity", "states: {0: closed, 1: open}", "states: {0: off, 1: on}",
		both, `21:17: states.0: found "off", expected closed or open` + "\n" + `21:25: states.1: found "on", expected closed or open`},
	{"state as a truth value", "states: {0: closed, 1: open}", "states: {0: false, 1: true}",
		both, `21:17: states.0: found "false", expected closed or open` + "\n" + `21:27: states.1: found "true", expected closed or open`},
	{"state wider than the mask", "states: {0: closed, 1: open}", "states: {0: closed, 4: open}",
		loader, "21:25: states.4: 4 is out of range, expected a whole number from 0 to 3"},
	{"one pattern, two spellings", "states: {0: closed, 1: open}", "states: {1: closed, 0x1: open}",
		loader, "21:25: states.0x1: names the same bit pattern as a key before it, expected each pattern once"},
	{"state that is invalid too", "states: {0: closed, 1: open}", "states: {0: closed, 1: open}\n    invalid_raw: [1]",
		loader, "21:25: states.1: is listed in invalid_raw too, expected a pattern in one of the two"},
	{"states of a number", "scale: 0.01", "states: {0: empty}",
		both, "12:13: states: pressure is a number, expected no states"},
	{"valve without states", "    states: {0: closed, 1: open}\n", "",
		both, "15:5: states: is missing, expected a map such as {0: closed, 1: open}"},
	{"state with a scale", "mask: 0x03", "mask: 0x03\n    scale: 2",
		both, "21:12: scale: a state has no scale, expected no scale"},
	{"bits of another signal", "bytes: 0\n    mask: 0x03", "bytes: 1\n    mask: 0x30",
		loader, "19:12: bytes: the field takes bits of byte 1 that rear_left_pressure in line 3 uses, expected bits of its own, or another `when`"},
	{"bits of its own selector", "scale: 0.01", "when: {bytes: 1, mask: 0xF0, equals: 1}",
		loader, "9:12: bytes: the field takes bits of its own selector in byte 1, expected other bits than those under when"},
	{"selector wider than its mask", "scale: 0.01", "when: {bytes: 0, mask: 0xF0, equals: 0x10}",
		loader, "12:42: when.equals: 0x10 is out of range, expected a whole number from 0 to 15"},
	{"selector without a value", "scale: 0.01", "when: {bytes: 0, mask: 0xF0}",
		both, "12:11: when.equals: is missing, expected the bit pattern under the mask"},
	{"corner and quantity twice", "corner: rear-left\n    quantity: valve\n    from: {frame: 0x4A1, format: standard, bus: can0}\n    bytes: 0\n    mask: 0x03\n    states: {0: closed, 1: open}",
		"corner: rear-left\n    quantity: pressure\n    unit: bar\n    reference: gauge\n    from: {frame: 0x4A2, format: standard, bus: can0}\n    bytes: 0",
		loader, "17:15: quantity: the pressure of rear-left is rear_left_pressure in line 3 already, expected one signal for it; give the other `quantity: other`"},
	{"waits for nobody", "scale: 0.01", "valid_while: {signal: rear_left_valv, equals: open}",
		loader, "12:27: valid_while.signal: rear_left_valv is no signal of this file, expected the name of a signal with states"},
	{"waits for a state that is none", "scale: 0.01", "valid_while: {signal: rear_left_valve, equals: opened}",
		loader, "12:52: valid_while.equals: opened is no state of rear_left_valve, expected closed or open"},
	{"waits for a number", "scale: 0.01", "valid_while: {signal: oil_pressure, equals: open}",
		loader, "12:49: valid_while.equals: open is no state of oil_pressure, expected a signal with states"},
	{"waits for itself", "scale: 0.01", "valid_while: {signal: rear_left_pressure, equals: open}",
		loader, "12:27: valid_while.signal: a signal can't wait for itself, expected the name of another signal"},
	{"settles without a unit", "scale: 0.01", "valid_while: {signal: rear_left_valve, equals: open, settled: 2}",
		both, "12:67: valid_while.settled: 2 has no unit, expected a duration, such as 2 min"},
	{"proof of another word", "scale: 0.01", "proof: sure",
		both, `12:12: proof: found "sure", expected proven, assumed or contradicted`},
	{"uncertainty of zero", "scale: 0.01", "uncertainty: 0",
		both, "12:18: uncertainty: 0 is no standard deviation, expected a number above 0, in the unit of the signal"},
	{"group of 19 bits", oilFrom, "from: {parameter_group: 0x40000}",
		both, "25:29: from.parameter_group: 0x40000 is out of range, expected a whole number from 0 to 0x3FFFF"},
	{"group with a destination", oilFrom, "from: {parameter_group: 0xEAFF}",
		loader, "25:29: from.parameter_group: the low byte of group 60159 (0xEAFF) is a destination address, expected 59904 (0xEA00)"},
	{"source address of nobody", oilFrom, "from: {parameter_group: 65112, source_address: 254}",
		both, "25:52: from.source_address: 254 is out of range, expected a whole number from 0 to 253"},
	{"frozen values", oilFrom, "from: {parameter_id: 0x0C, service: 0x02}",
		both, "25:41: from.service: 0x02 does not answer with present values, expected 0x01"},
	{"parameter of unknown length", oilFrom, "from: {parameter_id: 0xF0}",
		loader, "25:26: from.parameter_id: 0xF0 is no parameter whose length is known, expected one of those of service 0x01, such as 0x0C"},
	{"past the end of a parameter", oilFrom, "from: {parameter_id: 0x0D}",
		loader, "26:12: bytes: byte 1 lies past the end, expected byte 0 only: the length of parameter 0x0D is 1"},
	{"past the end of an identifier", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 1}",
		loader, "26:12: bytes: byte 1 lies past the end, expected byte 0 only: its length is 1"},
	{"no response", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4}",
		both, "25:11: from.response: is missing, expected the identifier of the answers, such as 0x6DC"},
	{"request answers itself", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6D4}",
		loader, "25:63: from.response: is the same as the request's, expected two identifiers, one for each direction"},
	{"request and response of different width", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x18DAF110}",
		loader, "25:63: from.response: request and response differ in width, expected both of 11 or both of 29 bits (format: extended makes both 29)"},
	{"format too narrow for the address", oilFrom, "from: {data_identifier: 0x2B01, request: 0x18DA10F1, response: 0x18DAF110, format: standard}",
		loader, "25:88: from.format: an identifier above 0x7FF needs 29 bits, expected extended"},
	{"both ways of addressing", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, address_extension: 0x3A, request_address: 1}",
		both, "25:89: from.address_extension: mixed and extended addressing exclude each other, expected address_extension alone, or request_address and response_address"},
	{"half an extended address", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, request_address: 0x40}",
		both, "25:11: from.response_address: is missing, expected the first byte of each answer"},
	{"one response for two requests", lastLine, lastLine + `  - name: second_unit
    quantity: other
    from: {data_identifier: 0x2B02, request: 0x6E4, response: 0x6DC}
    bytes: 0
`,
		loader, "30:11: from: its answers can't be told from those of oil_pressure in line 22, expected a response identifier for each request identifier"},
	{"two lengths of one identifier", oilFrom + "\n" + lastLine, `from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 4}
` + lastLine + `  - name: same_identifier
    quantity: other
    from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 6}
    bytes: 3
`,
		loader, "30:78: from.length: identifier 0x2B01 has 4 bytes in line 22, expected the same length everywhere"},
	{"no signals", good[len("version: 1\n"):], "signals: []\n",
		both, "2:10: signals: the list has 0 signals, expected 1 to 4096"},
	{"a list of definitions", good, "- version: 1\n",
		both, "1:1: found a list, expected a map with the keys version, signals"},
	{"nothing behind a key", "scale: 0.01", "scale:",
		both, "12:11: scale: found nothing, expected a number such as 0.01"},
	{"an alias", "scale: 0.01", "scale: *factor",
		both, "12:12: *factor is an alias, expected the value itself, written again"},
	{"an anchor", "scale: 0.01", "scale: &factor 0.01",
		loader, "12:12: scale: &factor is an anchor, expected the value without it"},
	{"a tag", "scale: 0.01", "scale: !!float 0.01",
		loader, "12:12: scale: !!float is a tag, expected the value without it"},
	{"a merged map", "    scale: 0.01", "    <<: {scale: 0.01}",
		both, "12:5: << merges another map into this one, expected each key written out"},
	{"a tab", "    scale: 0.01", "\tscale: 0.01",
		both, "12:1: a tab stands before the text of the line, expected spaces (YAML allows no tabs there)"},
	{"a brace left open", "valid: {min: 0, max: 20}", "valid: {min: 0, max: 20",
		both, "13:5: did not find expected ',' or '}', expected a closing }"},
	{"a key in the wrong column", "    scale: 0.01", "   scale: 0.01",
		both, "12:4: did not find expected '-' indicator, expected items of one list, and the keys of one item, in the same column"},
	{"no space behind the colon", "    scale: 0.01", "    scale:0.01",
		both, "12:5: could not find expected ':', expected a colon and a space behind the key"},
	{"a second document", lastLine, lastLine + "---\nversion: 1\n",
		loader, "28:1: a second document starts here, expected one document a file"},
}

func TestMistakes(t *testing.T) {
	schema := documenttest.Compile(t, signaldef.Schema())
	for _, m := range mistakes {
		t.Run(m.name, func(t *testing.T) {
			text := []byte(m.text(t, good))
			signals, err := signaldef.Load("wagon.yaml", text)
			require.Nil(t, signals)
			require.EqualError(t, err, "wagon.yaml:"+strings.ReplaceAll(m.want, "\n", "\nwagon.yaml:"))
			if m.seenBy == both {
				require.Error(t, schema.Check(text), "the schema lets it pass")
			} else {
				require.NoError(t, schema.Check(text), "the schema sees it too")
			}
		})
	}
}

func TestGoodTextIsGood(t *testing.T) {
	signals, err := signaldef.Load("wagon.yaml", []byte(good))
	require.NoError(t, err)
	require.Len(t, signals, 3)
	require.NoError(t, documenttest.Compile(t, signaldef.Schema()).Check([]byte(good)))
}
