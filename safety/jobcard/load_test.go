package jobcard_test

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

func stamp(t *testing.T, text string) capture.Stamp {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text)
	require.NoError(t, err)
	return capture.StampOf(at)
}

func known(v float64) jobcard.Number { return jobcard.Number{Value: v, Known: true} }

func load(t *testing.T, text string) *jobcard.Card {
	t.Helper()
	card, err := jobcard.Load("card.yaml", []byte(text))
	require.NoError(t, err)
	return card
}

// The values are those of the example, converted by hand.
func TestCompleteCard(t *testing.T) {
	card, err := jobcard.LoadFile("../../testdata/jobcards/complete.yaml")
	require.NoError(t, err)
	require.Equal(t, "rear springs and one valve renewed", card.Job)
	require.Equal(t, "demo coach 12", card.Label)
	require.Equal(t, []decode.Corner{decode.RearLeft, decode.RearRight}, card.Serviced)

	require.True(t, card.HasSprings)
	front := card.Springs[decode.FrontLeft]
	require.Same(t, front, card.Springs[decode.FrontRight])
	require.Equal(t, "front", front.Name)
	require.Equal(t, "../../testdata/jobcards/complete.yaml:9:3", front.Place)
	requireNumber(t, 0.014, front.Volume)
	requireNumber(t, 0.03, front.Area)
	requireNumber(t, 0.8, front.MotionRatio)
	requireNumber(t, 1, front.LeastBar)
	requireNumber(t, 12, front.GreatestBar)
	rear := card.Springs[decode.RearLeft]
	require.False(t, rear.MotionRatio.Known)
	requireNumber(t, 1, rear.LeastBar)
	require.Equal(t, [][]decode.Corner{{decode.FrontLeft, decode.FrontRight}}, card.Circuits)

	box := card.NewSprings[decode.RearLeft]
	requireNumber(t, 312, box.LengthMM)
	require.Equal(t, stamp(t, "2028-03-01T00:00:00Z"), box.UseBy, "2028 is a leap year: the last day is 29 February")
	require.Equal(t, stamp(t, "2028-02-16T00:00:00Z"), card.NewSprings[decode.RearRight].UseBy)
	require.Nil(t, card.NewSprings[decode.FrontLeft])
	require.Equal(t, &jobcard.Height{BeforeMM: known(512), SeriesMM: known(520), ToleranceMM: known(8)}, card.Heights[decode.RearLeft])

	require.Len(t, card.Readings, 2)
	require.Equal(t, stamp(t, "2026-03-02T09:15:10.5Z"), card.Readings[1].At)
	require.Equal(t, 515.0, card.Readings[1].TapeMM)
	require.Equal(t, []string{"not-tight"}, card.Ask)
	require.Equal(t, []jobcard.MarkName{{Name: "ballast-in", Key: "t"}, {Name: "tester-changed", Key: "c"}}, card.Marks)
	require.Equal(t, "KL", card.Said[0].By)
	require.Equal(t, stamp(t, "2026-03-02T15:40:00Z"), card.Said[0].At)
	require.Zero(t, card.Said[1].At)
}

func requireNumber(t *testing.T, want float64, n jobcard.Number) {
	t.Helper()
	require.True(t, n.Known)
	require.InEpsilon(t, want, n.Value, 1e-12)
}

func TestCompleteCardLimits(t *testing.T) {
	card, err := jobcard.LoadFile("../../testdata/jobcards/complete.yaml")
	require.NoError(t, err)
	want := map[string]jobcard.Limit{
		"leak": {Value: 20, Unit: "ml/min"}, "side_difference": {Value: 12, Unit: "mm"},
		"run_before_lowering": {Value: 180, Unit: "s"}, "compressor_run": {Value: 600, Unit: "s"},
		"residual_pressure": {Value: 0.2, Unit: "bar"}, "closing": {Value: 5, Unit: "mm"},
		"bump_stop_share": {Value: 0.7, Unit: ""}, "engine_speed": {Value: 400, Unit: "rpm"},
		"low_voltage": {Value: 23, Unit: "V"}, "settle": {Value: 300, Unit: "s"}, "height_tolerance": {Value: 8, Unit: "mm"},
	}
	require.Equal(t, want, card.Limits)
	require.Len(t, jobcard.LimitNames, len(want), "the example shows every limit")
}

func TestCompleteCardStages(t *testing.T) {
	card, err := jobcard.LoadFile("../../testdata/jobcards/complete.yaml")
	require.NoError(t, err)
	wide := decode.Address{Request: 0x18DA2FF9, Response: 0x18DAF92F, Extended: true}
	place := "../../testdata/jobcards/complete.yaml:"
	require.Equal(t, []jobcard.StageRequest{
		{Place: place + "52:5", Stage: "bleed", Corners: []decode.Corner{decode.RearLeft, decode.RearRight}, Kind: jobcard.Routine, Identifier: 0x0311, Address: wide},
		{Place: place + "54:5", Stage: "fill", Corners: []decode.Corner{decode.RearLeft}, Kind: jobcard.InputOutput, Identifier: 0x2C10, Address: wide},
		{Place: place + "56:5", Stage: "fill", Corners: []decode.Corner{decode.RearRight}, Kind: jobcard.Routine, Identifier: 0x0302,
			Address: decode.Address{Request: 0x6D4, Response: 0x6DC, Mixed: true, Extension: 0x3A}},
		{Place: place + "58:5", Stage: "fill", Corners: []decode.Corner{decode.FrontLeft}, Kind: jobcard.Routine, Identifier: 0x0302,
			Address: decode.Address{Request: 0x6F1, Response: 0x640, ByTarget: true, RequestTarget: 0x40, ReplyTarget: 0xF1}},
	}, card.Stages)
}

func TestEmptyCardKnowsNothing(t *testing.T) {
	require.Equal(t, &jobcard.Card{}, load(t, "version: 1\n"))
}

func TestEachPartAlone(t *testing.T) {
	for name, text := range map[string]string{
		"a spring with corners only":  "springs: {rear: {corners: [rear-left]}}",
		"a height with series only":   "heights: {front-left: {series: 395 mm}}",
		"heights of steel springs":    "springs: {rear: {corners: [rear-left]}}\nheights: {front-left: {series: 395 mm}}",
		"a box with a date only":      "new_springs: {rear-left: {use_by: 2027-05}}",
		"two circuits":                "circuit: [[front-left, front-right], [rear-left, rear-right]]",
		"no marks":                    "marks: {}",
		"no limits":                   "limits: {}",
		"nothing asked":               "ask: []",
		"a share in percent":          "limits: {bump_stop_share: 70 %}",
		"a label that is a number":    "vehicle: {label: 12}",
		"a vehicle without a label":   "vehicle: {}",
		"words that once were truths": "job: on",
		"one routine at two units": "stages:\n  - {stage: fill, corners: [rear-left], routine: 1, request: 0x6D4, response: 0x6DC}\n" +
			"  - {stage: bleed, corners: [rear-left], routine: 1, request: 0x6D5, response: 0x6DD}",
	} {
		t.Run(name, func(t *testing.T) { load(t, "version: 1\n"+text+"\n") })
	}
}

func TestUseByCountsTheWholeLastDay(t *testing.T) {
	for text, after := range map[string]string{
		"2027-02":    "2027-03-01T00:00:00Z",
		"2027-12":    "2028-01-01T00:00:00Z",
		"2027-05-31": "2027-06-01T00:00:00Z",
		"2028-02-29": "2028-03-01T00:00:00Z",
	} {
		card := load(t, "version: 1\nnew_springs: {rear-left: {use_by: "+text+"}}\n")
		require.Equal(t, stamp(t, after), card.NewSprings[decode.RearLeft].UseBy, text)
	}
}

// The bounds refuse what no rule can use, at both ends, and take the ends themselves.
func TestLimitBounds(t *testing.T) {
	for _, name := range jobcard.LimitNames {
		require.Less(t, name.Least, name.Most, name.Name)
		require.NotEmpty(t, name.Means, name.Name)
		for _, c := range []struct {
			value float64
			good  bool
		}{{name.Least, true}, {name.Most, true}, {name.Least * 0.99, false}, {name.Most * 1.01, false}} {
			text := "version: 1\nlimits: {" + name.Name + ": " + format(c.value) + " " + name.Unit.Name + "}\n"
			_, err := jobcard.Load("card.yaml", []byte(text))
			require.Equal(t, c.good, err == nil, text)
		}
	}
}

func TestCheckAsk(t *testing.T) {
	card := load(t, "version: 1\nask: [not-tight, sides-equal]\n")
	require.NoError(t, card.CheckAsk([]string{"sides-equal", "not-tight"}))
	err := card.CheckAsk([]string{"not-tight", "sides-uneven"})
	require.EqualError(t, err, `card.yaml:2:18: ask: "sides-equal" is no rule, expected one of not-tight, sides-uneven`)
	var ask *jobcard.AskError
	require.ErrorAs(t, err, &ask)
	require.Equal(t, "sides-equal", ask.Name)
}

func TestLoadFileNamesTheFile(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "card.yaml")
	_, err := jobcard.LoadFile(missing)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, missing)
}

// Whatever is cut off a card, it loads or says where it is wrong; it never claims more than it says.
func TestCutCards(t *testing.T) {
	for n := range len(good) {
		card, err := jobcard.Load("card.yaml", []byte(good[:n]))
		if err != nil {
			require.Nil(t, card)
			require.ErrorContains(t, err, "card.yaml:")
		}
	}
}

func format(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// A card that names its springs says which corners are none; one that does not leaves it open.
func TestHazard06CornersWithoutAirSprings(t *testing.T) {
	card := load(t, "version: 1\nsprings: {rear: {corners: [rear-left, rear-right], least_pressure: 1 bar}}\n")
	require.True(t, card.HasSprings)
	require.Nil(t, card.Springs[decode.FrontLeft])
	require.NotNil(t, card.Springs[decode.RearRight])
	require.False(t, load(t, "version: 1\n").HasSprings)
}
