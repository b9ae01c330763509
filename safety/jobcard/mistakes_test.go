package jobcard_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
	"ridewitness/safety/jobcard"
)

// good is what each case below changes in one place.
const good = `version: 1
job: rear springs renewed
vehicle: {label: demo wagon 7}
serviced: [rear-left, rear-right]
springs:
  rear: {corners: [rear-left, rear-right], volume: 2.2 L, effective_area: 98 cm2, least_pressure: 1 bar, greatest_pressure: 11 bar}
new_springs:
  rear-left: {use_by: 2027-05, length: 312 mm, greatest_length: 318 mm}
heights:
  rear-left: {before: 391 mm, series: 395 mm, tolerance: 5 mm}
height_readings:
  - {corner: rear-left, at: 2026-03-02T09:14:05Z, tape: 391 mm}
limits:
  leak: 4 ml/min
  run_before_lowering: 2 min
ask: [not-tight]
stages:
  - {stage: bleed, corners: [rear-left], routine: 0x0301, request: 0x6D4, response: 0x6DC}
  - {stage: fill, corners: [rear-left], routine: 0x0302, request: 0x6D4, response: 0x6DC}
said:
  - {item: axle alignment measured, by: KL, at: 2026-03-02T15:40:00Z}
marks:
  ballast-in: t
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

func (m mistake) text(t *testing.T) string {
	t.Helper()
	require.Equal(t, 1, strings.Count(good, m.old), "the text to change must be there once: %q", m.old)
	return strings.Replace(good, m.old, m.new, 1)
}

const fillRow = "routine: 0x0302, request: 0x6D4, response: 0x6DC}"

// mistakes are what people get wrong, and what helps them.
var mistakes = []mistake{
	{"version of the future", "version: 1", "version: 3",
		both, "1:10: version: 3 is out of range, expected 1"},
	{"a key misspelt", "job: rear", "jub: rear",
		both, "2:1: jub: is no key that is known here, expected job"},
	{"a corner that there is not", "serviced: [rear-left, rear-right]", "serviced: [rear-left, third-right]",
		both, "4:23: serviced: third-right is no corner, expected front-left, front-right, rear-left or rear-right; a third axle can't be judged"},
	{"a corner twice", "serviced: [rear-left, rear-right]", "serviced: [rear-left, rear-left]",
		both, "4:23: serviced: rear-left is given twice, expected each corner once"},
	{"serviced without a list", "serviced: [rear-left, rear-right]", "serviced: rear-left",
		both, `4:11: serviced: found "rear-left", expected a list of corners, such as [rear-left, rear-right]`},
	{"serviced where there is no air spring", "serviced: [rear-left, rear-right]", "serviced: [rear-left, front-right]",
		loader, "4:23: serviced: front-right has no air spring by `springs`, expected a corner that rides on air"},
	{"a corner in two springs", "greatest_pressure: 11 bar}", "greatest_pressure: 11 bar}\n  extra: {corners: [rear-right]}",
		loader, "7:21: springs.extra.corners: rear-right has the spring rear already, expected each corner in one spring"},
	{"a spring without corners", "rear: {corners: [rear-left, rear-right], volume", "rear: {volume",
		both, "6:9: springs.rear.corners: is missing, expected the corners that ride on it, such as [rear-left, rear-right]"},
	{"a spring on no corner", "rear: {corners: [rear-left, rear-right], volume", "rear: {corners: [], volume",
		both, "6:19: springs.rear.corners: no corner is named, expected one or two corners"},
	{"a third axle", "rear: {corners: [rear-left, rear-right], volume", "rear: {corners: [rear-left, rear-right, third-left], volume",
		both, "6:43: springs.rear.corners: third-left is no corner, expected front-left, front-right, rear-left or rear-right; a third axle can't be judged"},
	{"a length for an area", "98 cm2", "98 cm",
		both, "6:75: springs.rear.effective_area: 98 cm is a length, expected an area, such as 98 cm2"},
	{"a weight for a volume", "2.2 L", "2.2 kg",
		both, `6:52: springs.rear.volume: 2.2 kg has the unknown unit "kg", expected a volume, such as 2.2 L`},
	{"no unit", "2.2 L", "2.2",
		both, "6:52: springs.rear.volume: 2.2 has no unit, expected a volume, such as 2.2 L"},
	{"a comma", "2.2 L", "'2,2 L'",
		both, "6:52: springs.rear.volume: 2,2 L has a comma in its number, expected a volume, such as 2.2 L"},
	{"a slipped point", "98 cm2", "0.98 cm2",
		loader, "6:75: springs.rear.effective_area: 0.98 cm2 is out of range, expected 5 to 2000 cm2"},
	{"kilopascal taken for bar", "greatest_pressure: 11 bar", "greatest_pressure: 1100 bar",
		loader, "6:125: springs.rear.greatest_pressure: 1100 bar is out of range, expected 0.2 to 40 bar"},
	{"greatest below least", "greatest_pressure: 11 bar", "greatest_pressure: 90 kPa",
		loader, "6:125: springs.rear.greatest_pressure: 90 kPa is not above least_pressure 1 bar, expected the pressure that the spring must not exceed"},
	{"motion ratio upside down", "least_pressure: 1 bar", "motion_ratio: 12",
		loader, "6:97: springs.rear.motion_ratio: 12 is out of range, expected 0.1 to 2"},
	{"an unknown pressure", "least_pressure: 1 bar", "minimum_pressure: 1 bar",
		both, "6:83: springs.rear.minimum_pressure: is no key that is known here, expected corners, volume, effective_area, motion_ratio, least_pressure or greatest_pressure"},
	{"a circuit of one", "new_springs:", "circuit: [rear-left]\nnew_springs:",
		both, "7:10: circuit: one corner shares its air with no other, expected the corners that share one air circuit, such as [rear-left, rear-right]"},
	{"a corner in two circuits", "new_springs:", "circuit: [[rear-left, rear-right], [rear-right, rear-left]]\nnew_springs:",
		loader, "7:36: circuit: rear-right is in two circuits, expected each corner in one"},
	{"a circuit on steel springs", "new_springs:", "circuit: [front-left, front-right]\nnew_springs:",
		loader, "7:11: circuit: front-left has no air spring by `springs`, expected a corner that rides on air" + "\n" + "7:23: circuit: front-right has no air spring by `springs`, expected a corner that rides on air"},
	{"a year alone", "use_by: 2027-05", "use_by: 2027",
		both, "8:23: new_springs.rear-left.use_by: 2027 is no month or day, expected a month such as 2027-05 or a day such as 2027-05-31"},
	{"a thirteenth month", "use_by: 2027-05", "use_by: 2027-13",
		loader, "8:23: new_springs.rear-left.use_by: 2027-13 is no day that there is, or too far from today, expected a month such as 2027-05 or a day such as 2027-05-31"},
	{"a day that there is not", "use_by: 2027-05", "use_by: 2027-02-29",
		loader, "8:23: new_springs.rear-left.use_by: 2027-02-29 is no day that there is, or too far from today, expected a month such as 2027-05 or a day such as 2027-05-31"},
	{"a date of another country", "use_by: 2027-05", "use_by: 05/2027",
		both, "8:23: new_springs.rear-left.use_by: 05/2027 is no month or day, expected a month such as 2027-05 or a day such as 2027-05-31"},
	{"a new spring on another corner", "rear-left: {use_by", "front-left: {use_by",
		loader, "8:15: new_springs.front-left: front-left has no air spring by `springs`, expected a corner that rides on air"},
	{"a new spring that nobody put in", "serviced: [rear-left, rear-right]", "serviced: [rear-right]",
		loader, "8:14: new_springs.rear-left: `serviced` does not name rear-left, expected a corner of `serviced`"},
	{"a height in pressure", "series: 395 mm", "series: 395 bar",
		both, "10:39: heights.rear-left.series: 395 bar is a pressure, expected a length, such as 391 mm"},
	{"a height in metres taken for millimetres", "series: 395 mm", "series: 395 m",
		loader, "10:39: heights.rear-left.series: 395 m is out of range, expected 50 to 2000 mm"},
	{"a time without offset", "2026-03-02T09:14:05Z", "2026-03-02T09:14:05",
		both, "12:29: at: 2026-03-02T09:14:05 is no time with an offset from UTC (RFC 3339), expected a time such as 2026-03-02T09:14:05Z"},
	{"a time with a space", "2026-03-02T09:14:05Z", "2026-03-02 09:14:05Z",
		both, "12:29: at: 2026-03-02 09:14:05Z is no time with an offset from UTC (RFC 3339), expected a time such as 2026-03-02T09:14:05Z"},
	{"a time with one digit", "2026-03-02T09:14:05Z", "2026-03-02T9:14:05Z",
		both, "12:29: at: 2026-03-02T9:14:05Z is no time with an offset from UTC (RFC 3339), expected a time such as 2026-03-02T09:14:05Z"},
	{"the hour 24", "2026-03-02T09:14:05Z", "2026-03-02T24:00:00Z",
		loader, "12:29: at: 2026-03-02T24:00:00Z is no day or hour that there is, expected a time such as 2026-03-02T09:14:05Z"},
	{"a second 60 in the morning", "2026-03-02T09:14:05Z", "2026-03-02T09:14:60Z",
		loader, "12:29: at: 2026-03-02T09:14:60Z has a second 60 that is no leap second, expected a time such as 2026-03-02T09:14:05Z"},
	{"a reading of nobody", "{corner: rear-left, at", "{at",
		both, "12:5: corner: is missing, expected front-left, front-right, rear-left or rear-right; a third axle can't be judged"},
	{"a limit that there is not", "leak: 4 ml/min", "leek: 4 ml/min",
		both, "14:3: limits.leek: is no key that is known here, expected leak"},
	{"a limit that no rule has", "leak: 4 ml/min", "oil_level: 4 mm",
		both, "14:3: limits.oil_level: is no key that is known here, expected leak, side_difference, run_before_lowering, compressor_run, residual_pressure, closing, bump_stop_share, engine_speed, low_voltage, settle or height_tolerance"},
	{"a limit in another dimension", "leak: 4 ml/min", "leak: 4 bar",
		both, "14:9: limits.leak: 4 bar is a pressure, expected a flow of air, such as 4 ml/min"},
	{"a limit that switches a rule off", "run_before_lowering: 2 min", "run_before_lowering: 0 s",
		loader, "15:24: limits.run_before_lowering: 0 s is out of range, expected 1 to 3600 s"},
	{"a rule asked twice", "ask: [not-tight]", "ask: [not-tight, not-tight]",
		both, "16:18: ask: not-tight is asked twice, expected each rule once"},
	{"a stage that no request starts", "stage: fill", "stage: lift",
		both, `19:13: stage: found "lift", expected bleed or fill`},
	{"one request for two stages", fillRow, "routine: 0x0301, request: 0x6D4, response: 0x6DC}",
		loader, "19:50: routine: 0x0301 is the request for bleed rear-left already, expected each request in one row"},
	{"neither routine nor input output", fillRow, "request: 0x6D4, response: 0x6DC}",
		both, "19:5: routine: is missing, expected routine (service 0x31) or input_output (service 0x2F), one of the two"},
	{"routine and input output", fillRow, "input_output: 0x2C10, " + fillRow,
		both, "19:55: input_output: the row names a routine too, expected routine (service 0x31) or input_output (service 0x2F), one of the two"},
	{"a routine of three bytes", fillRow, "routine: 0x10302, request: 0x6D4, response: 0x6DC}",
		both, "19:50: routine: 0x10302 is out of range, expected a whole number from 0 to 0xFFFF"},
	{"no response", fillRow, "routine: 0x0302, request: 0x6D4}",
		both, "19:5: response: is missing, expected the identifier of the answers, such as 0x6DC"},
	{"answers that can't be told apart", fillRow, "routine: 0x0302, request: 0x6E4, response: 0x6DC}",
		loader, "19:84: response: its answers can't be told from those of request 0x6D4, expected a response identifier for each request identifier"},
	{"a stage on steel springs", "stage: fill, corners: [rear-left]", "stage: fill, corners: [front-left]",
		loader, "19:29: corners: front-left has no air spring by `springs`, expected a corner that rides on air"},
	{"a stage on no corner", "stage: fill, corners: [rear-left]", "stage: fill, corners: []",
		both, "19:28: corners: no corner is named, expected the corners that it bleeds or fills"},
	{"nothing said", "{item: axle alignment measured, by", "{by",
		both, "21:5: item: is missing, expected what was said, such as axle alignment measured"},
	{"a mark that is built in", "ballast-in: t", "lowered: t",
		both, "23:3: marks.lowered: is a mark that is built in, expected another name"},
	{"a mark with a space", "ballast-in: t", "ballast in: t",
		both, "23:3: marks.ballast in: ballast in is no name of a mark, expected small letters, digits and '-', such as ballast-in"},
	{"a key that is taken", "ballast-in: t", "ballast-in: G",
		both, "23:15: marks.ballast-in: G is the key for going down, expected a letter other than a, b, g, j, l, p, s, u"},
	{"a digit as a key", "ballast-in: t", "ballast-in: 3",
		both, "23:15: marks.ballast-in: 3 is no key for a mark, expected one letter"},
	{"two keys", "ballast-in: t", "ballast-in: tt",
		both, "23:15: marks.ballast-in: tt is no key for a mark, expected one letter"},
	{"one key for two marks", "ballast-in: t", "ballast-in: t\n  ballast-out: T",
		loader, "24:16: marks.ballast-out: T is the key of ballast-in already, expected a key of its own"},
	{"a text over two lines", "job: rear springs renewed", "job: \"rear\\nsprings\"",
		both, "2:6: job: the text has a line break or another control character in it, expected one line of text"},
	{"several mistakes at once", "volume: 2.2 L, effective_area: 98 cm2", "volume: 2.2 cm, effective_area: 98",
		both, "6:52: springs.rear.volume: 2.2 cm is a length, expected a volume, such as 2.2 L" + "\n" + "6:76: springs.rear.effective_area: 98 has no unit, expected an area, such as 98 cm2"},
}

func TestMistakes(t *testing.T) {
	schema := documenttest.Compile(t, jobcard.Schema())
	for _, m := range mistakes {
		t.Run(m.name, func(t *testing.T) {
			text := []byte(m.text(t))
			card, err := jobcard.Load("card.yaml", text)
			require.Nil(t, card)
			require.EqualError(t, err, "card.yaml:"+strings.ReplaceAll(m.want, "\n", "\ncard.yaml:"))
			if m.seenBy == both {
				require.Error(t, schema.Check(text), "the schema lets it pass")
			} else {
				require.NoError(t, schema.Check(text), "the schema sees it too")
			}
		})
	}
}
