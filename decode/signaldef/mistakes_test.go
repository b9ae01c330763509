package signaldef_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

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
	want     string
}

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
	{"version of the future", "version: 1", "version: 2", ""},
	{"no version", "version: 1\n", "", ""},
	{"unknown key, one letter off", "order: low-first", "ordr: low-first", ""},
	{"unknown key, a dash for an underscore", "invalid_raw:", "invalid-raw:", ""},
	{"unknown key, nothing like it", "scale: 0.01", "gain: 0.01", ""},
	{"key twice", "scale: 0.01", "scale: 0.01\n    scale: 0.02", ""},
	{"pressure without reference", "    reference: gauge\n", "", ""},
	{"pressure relative to design", "reference: gauge", "reference: design", ""},
	{"pressure without corner", "  - name: rear_left_pressure\n    corner: rear-left\n", "  - name: rear_left_pressure\n", ""},
	{"fifth corner", "corner: rear-left\n    quantity: pressure", "corner: third-left\n    quantity: pressure", ""},
	{"unknown quantity", "quantity: pressure", "quantity: presure", ""},
	{"unit of another dimension", "unit: bar\n    reference", "unit: mm\n    reference", ""},
	{"unit that definitions do not have", "unit: bar\n    reference", "unit: psi\n    reference", ""},
	{"no unit", "    unit: bar\n    reference", "    reference", ""},
	{"no name", "  - name: rear_left_pressure\n    corner", "  - corner", ""},
	{"name with a space", "name: rear_left_pressure", "name: rear left", ""},
	{"name twice", "name: rear_left_valve", "name: rear_left_pressure", ""},
	{"no source", "    from: {frame: 0x4A1, format: standard, bus: can0}\n    bytes: 1-2", "    bytes: 1-2", ""},
	{"source of an unknown kind", pressureFrom, "from: {can: 0x4A1}\n    bytes: 1-2", ""},
	{"format left out", pressureFrom, "from: {frame: 0x4A1}\n    bytes: 1-2", ""},
	{"11 bits do not hold the identifier", pressureFrom, "from: {frame: 0x18FE5827, format: standard}\n    bytes: 1-2", ""},
	{"29 bits do not hold the identifier", pressureFrom, "from: {frame: 0x20000000, format: extended}\n    bytes: 1-2", ""},
	{"key of another source", pressureFrom, "from: {frame: 0x4A1, format: standard, source_address: any}\n    bytes: 1-2", ""},
	{"bus name too long", "bus: can0}\n    bytes: 1-2", "bus: the-second-can-bus}\n    bytes: 1-2", ""},
	{"bytes backwards", "bytes: 1-2", "bytes: 2-1", ""},
	{"nine bytes", "bytes: 1-2", "bytes: 0-8", ""},
	{"past the end of a frame", "bytes: 1-2", "bytes: 63-64", ""},
	{"bytes as a start bit", "bytes: 1-2", "bytes: 12|12", ""},
	{"no order for two bytes", "    order: low-first\n", "", ""},
	{"order in other words", "order: low-first", "order: little", ""},
	{"mask of nothing", "mask: 0xFFF0", "mask: 0", ""},
	{"mask with a hole", "mask: 0xFFF0", "mask: 0xF0F", ""},
	{"mask wider than its bytes", "mask: 0xFFF0", "mask: 0x1FFF0", ""},
	{"mask as a text", "mask: 0xFFF0", "mask: '0xFFF0'", ""},
	{"mask in binary", "mask: 0xFFF0", "mask: 0b1111", ""},
	{"scale with a comma", "scale: 0.01", "scale: 0,01", ""},
	{"scale zero", "scale: 0.01", "scale: 0", ""},
	{"scale without bounds", "scale: 0.01", "scale: .inf", ""},
	{"signed yes", "scale: 0.01", "signed: yes", ""},
	{"valid upside down", "valid: {min: 0, max: 20}", "valid: {min: 20, max: 0}", ""},
	{"valid half", "valid: {min: 0, max: 20}", "valid: {min: 0}", ""},
	{"valid out of reach", "valid: {min: 0, max: 20}", "valid: {min: 50, max: 1700}", ""},
	{"invalid pattern wider than the mask", "invalid_raw: [0xFFF]", "invalid_raw: [0xFFF0]", ""},
	{"invalid pattern not in a list", "invalid_raw: [0xFFF]", "invalid_raw: 0xFFF", ""},
	{"invalid range backwards", "invalid_raw: [0xFFF]", "invalid_raw: [{from: 0xFFF, to: 0xFF0}]", ""},
	{"state of another quantity", "states: {0: closed, 1: open}", "states: {0: off, 1: on}", ""},
	{"state as a truth value", "states: {0: closed, 1: open}", "states: {0: false, 1: true}", ""},
	{"state wider than the mask", "states: {0: closed, 1: open}", "states: {0: closed, 4: open}", ""},
	{"one pattern, two spellings", "states: {0: closed, 1: open}", "states: {1: closed, 0x1: open}", ""},
	{"state that is invalid too", "states: {0: closed, 1: open}", "states: {0: closed, 1: open}\n    invalid_raw: [1]", ""},
	{"states of a number", "scale: 0.01", "states: {0: empty}", ""},
	{"valve without states", "    states: {0: closed, 1: open}\n", "", ""},
	{"state with a scale", "mask: 0x03", "mask: 0x03\n    scale: 2", ""},
	{"bits of another signal", "bytes: 0\n    mask: 0x03", "bytes: 1\n    mask: 0x30", ""},
	{"bits of its own selector", "scale: 0.01", "when: {bytes: 1, mask: 0xF0, equals: 1}", ""},
	{"selector wider than its mask", "scale: 0.01", "when: {bytes: 0, mask: 0xF0, equals: 0x10}", ""},
	{"selector without a value", "scale: 0.01", "when: {bytes: 0, mask: 0xF0}", ""},
	{"corner and quantity twice", "corner: rear-left\n    quantity: valve\n    from: {frame: 0x4A1, format: standard, bus: can0}\n    bytes: 0\n    mask: 0x03\n    states: {0: closed, 1: open}",
		"corner: rear-left\n    quantity: pressure\n    unit: bar\n    reference: gauge\n    from: {frame: 0x4A2, format: standard, bus: can0}\n    bytes: 0", ""},
	{"waits for nobody", "scale: 0.01", "valid_while: {signal: rear_left_valv, equals: open}", ""},
	{"waits for a state that is none", "scale: 0.01", "valid_while: {signal: rear_left_valve, equals: opened}", ""},
	{"waits for a number", "scale: 0.01", "valid_while: {signal: oil_pressure, equals: open}", ""},
	{"waits for itself", "scale: 0.01", "valid_while: {signal: rear_left_pressure, equals: open}", ""},
	{"settles without a unit", "scale: 0.01", "valid_while: {signal: rear_left_valve, equals: open, settled: 2}", ""},
	{"proof of another word", "scale: 0.01", "proof: sure", ""},
	{"uncertainty of zero", "scale: 0.01", "uncertainty: 0", ""},
	{"group of 19 bits", oilFrom, "from: {parameter_group: 0x40000}", ""},
	{"group with a destination", oilFrom, "from: {parameter_group: 0xEAFF}", ""},
	{"source address of nobody", oilFrom, "from: {parameter_group: 65112, source_address: 254}", ""},
	{"frozen values", oilFrom, "from: {parameter_id: 0x0C, service: 0x02}", ""},
	{"parameter of unknown length", oilFrom, "from: {parameter_id: 0xF0}", ""},
	{"past the end of a parameter", oilFrom, "from: {parameter_id: 0x0D}", ""},
	{"past the end of an identifier", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 1}", ""},
	{"no response", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4}", ""},
	{"request answers itself", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6D4}", ""},
	{"request and response of different width", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x18DAF110}", ""},
	{"format too narrow for the address", oilFrom, "from: {data_identifier: 0x2B01, request: 0x18DA10F1, response: 0x18DAF110, format: standard}", ""},
	{"both ways of addressing", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, address_extension: 0x3A, request_address: 1}", ""},
	{"half an extended address", oilFrom, "from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, request_address: 0x40}", ""},
	{"one response for two requests", lastLine, lastLine + `  - name: second_unit
    quantity: other
    from: {data_identifier: 0x2B02, request: 0x6E4, response: 0x6DC}
    bytes: 0
`, ""},
	{"two lengths of one identifier", oilFrom + "\n" + lastLine, `from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 4}
` + lastLine + `  - name: same_identifier
    quantity: other
    from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC, length: 6}
    bytes: 3
`, ""},
	{"no signals", good[len("version: 1\n"):], "signals: []\n", ""},
	{"a list of definitions", good, "- version: 1\n", ""},
	{"nothing behind a key", "scale: 0.01", "scale:", ""},
	{"an alias", "scale: 0.01", "scale: *factor", ""},
	{"an anchor", "scale: 0.01", "scale: &factor 0.01", ""},
	{"a tag", "scale: 0.01", "scale: !!float 0.01", ""},
	{"a merged map", "    scale: 0.01", "    <<: {scale: 0.01}", ""},
	{"a tab", "    scale: 0.01", "\tscale: 0.01", ""},
	{"a brace left open", "valid: {min: 0, max: 20}", "valid: {min: 0, max: 20", ""},
	{"a key in the wrong column", "    scale: 0.01", "   scale: 0.01", ""},
	{"no space behind the colon", "    scale: 0.01", "    scale:0.01", ""},
	{"a second document", lastLine, lastLine + "---\nversion: 1\n", ""},
}

func TestMistakes(t *testing.T) {
	for _, m := range mistakes {
		t.Run(m.name, func(t *testing.T) {
			signals, err := signaldef.Load("wagon.yaml", []byte(m.text(t, good)))
			require.Nil(t, signals)
			require.EqualError(t, err, m.want)
		})
	}
}
