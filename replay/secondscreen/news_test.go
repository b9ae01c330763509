package secondscreen

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// What each state tells, word for word as the sentences of screens are laid down.
func TestTell(t *testing.T) {
	const standing = "Do not lower: rear-right 0.61 bar, least 1.00; bled 00:09:30, one fill step answered, the next refused 00:26:20 (0x22)."
	for name, want := range map[string]struct {
		sight, state, cause, kind, sign string
		band                            []string
		sounds                          bool
	}{
		"watching": {"watching", "WATCHING", "8 of 8 signals fresh", "calm", "", []string{"No warning now. That is no proof: look at the lift."}, false},
		"bled":     {"watching", "WATCHING", "8 of 8 signals fresh", "standing", "", []string{standing}, false},
		"danger": {"watching", "WATCHING", "8 of 8 signals fresh", "danger", "!! DANGER", []string{"REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING.",
			"last 0.65 bar before it closed, least 1.00; closed 10.3 mm, 2 mm/s",
			"since 00:31:12, 2 s; data 0.1 s old; first shown 0.1 s after the frame; sounding; S at the laptop silences for 60 s"}, true},
		"silenced": {"watching", "WATCHING", "8 of 8 signals fresh", "danger", "!! DANGER", []string{"REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING.",
			"last 0.65 bar before it closed, least 1.00; closed 10.3 mm, 2 mm/s",
			"since 00:31:12, 2 s; data 0.1 s old; first shown 0.1 s after the frame; silenced for 42 s more"}, false},
		"two-dangers": {"watching", "WATCHING", "8 of 8 signals fresh", "danger", "!! DANGER", []string{"REAR-LEFT COMES DOWN, PRESSURE NOT PROVEN SINCE 00:09:30. STOP LOWERING.",
			"now 3.38 bar, least 1.00; closed 10.3 mm, 2 mm/s", "!! REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING."}, true},
		"over": {"watching", "WATCHING", "8 of 8 signals fresh", "over", "!! DANGER", []string{
			"rear-right came down on an empty spring. 00:31:12 to 00:31:31. Silenced 00:31:19. This line stays until the recording ends.",
			"Do not lower: rear-right 2.02 bar (squeezed), least 1.00; bled 00:09:30, one fill step answered, the next refused 00:26:20 (0x22)."}, false},
		"part-blind": {"part", "?? PART BLIND ??", "no rear-right pressure 4.2 s", "over", "!! DANGER", []string{
			"rear-right came down on an empty spring. 00:31:12 to 00:31:31. Silenced 00:31:19. This line stays until the recording ends.",
			"Do not lower: rear-right unseen since 00:31:05, then 2.02 bar (squeezed)."}, false},
		"blind": {"blind", "?? BLIND ??", "no frame on can0 12:26", "blind", "", []string{"BLIND: nothing on this screen is news. Look at the lift, not here.",
			"Do not lower: rear-left line marked open 00:10:30. rear-right line marked open 00:10:30."}, false},
		"unknown": {"part", "?? PART BLIND ??", "4 of 8 signals unseen, first front-left pressure", "standing", "", []string{
			"Do not lower: before this recording unknown; all four corners not yet seen above least pressure."}, false},
		"steel-front": {"watching", "WATCHING", "8 of 8 signals fresh", "standing", "", []string{"Do not lower: no least pressure given for rear-left and rear-right; cannot tell."}, false},
		"said":        {"watching", "WATCHING", "8 of 8 signals fresh", "said", "", []string{"Said, not seen: rear-left is filled (K. Example, 00:01:00)."}, false},
		"zero":        {"blind", "?? BLIND ??", "nothing is known", "blind", "", []string{"BLIND: nothing on this screen is news. Look at the lift, not here."}, false},
	} {
		t.Run(name, func(t *testing.T) {
			n := tell(states[name](), 1500*time.Millisecond)
			require.Equal(t, int64(1500), n.T)
			require.Equal(t, want.sight, n.Sight)
			require.Equal(t, want.state, n.State)
			require.Equal(t, want.cause, n.Causes[0])
			require.Equal(t, want.kind, n.Band.Kind)
			require.Equal(t, want.sign, n.Band.Sign)
			require.Equal(t, want.band, n.Band.Layouts[0])
			require.Equal(t, want.sounds, n.Alarm != 0)
			for _, sentences := range n.Band.Layouts {
				require.NotEmpty(t, sentences)
			}
		})
	}
}

// When a recording was closed. 09:14 UTC and 1877 s are 09:45:17, an hour later by the clock on the
// wall, by hand.
func TestEndIsDated(t *testing.T) {
	require.Empty(t, tell(watching(), 0).Ended)
	require.Equal(t, "at 00:31:17, local 10:45:17", tell(closedAt(watching(), 1877), 0).Ended)
	abroad := closedAt(watching(), 1877)
	abroad.Zone = nil
	require.Equal(t, "at 00:31:17, UTC 2026-03-02 09:45", tell(abroad, 0).Ended)
	undated := watching()
	undated.Ended = true
	require.Equal(t, "at 00:31:10, local 10:45:10", tell(undated, 0).Ended, "its last moment")
	require.Empty(t, tell(closedAt(notWritten(), 1877), 0).Ended, "a disk that was full")
	require.Equal(t, "at a time that is not known", tell(&terminal.State{Ended: true}, 0).Ended)
}

func TestTellsThatNothingIsWritten(t *testing.T) {
	require.Empty(t, tell(watching(), 0).Trouble)
	require.Equal(t, "NOTHING IS WRITTEN, last 12.0 s ago: session.pcapng: no space left on device", tell(notWritten(), 0).Trouble)
}

// No message of any state holds a word that lets somebody go on, a list that a script could not read,
// or more than a page takes at the beat.
func TestEveryMessage(t *testing.T) {
	for name, state := range states {
		text, err := json.Marshal(tell(state(), 0))
		require.NoError(t, err, name)
		require.NotRegexp(t, forbidden, string(text), name)
		require.NotContains(t, string(text), "null", name)
		require.Less(t, len(text), 32<<10, name)
	}
}

func TestHazard12SecondScreenNamesTheOrigin(t *testing.T) {
	for origin, want := range map[string][2]string{
		"vehicle": {"VEHICLE", "a vehicle"}, "virtual": {"VIRTUAL", "not a vehicle"}, "simulated": {"SIMULATED", "not a vehicle"},
		"unknown": {"UNKNOWN", "may be a vehicle"}, "": {"UNKNOWN", "may be a vehicle"}, "something new": {"SOMETHING NEW", "may be a vehicle"},
	} {
		s := watching()
		s.Origin = origin
		n := tell(s, 0)
		require.Equal(t, want, [2]string{n.Origin, n.Real}, origin)
	}
}

// A value that is not fresh is dashes, says why, and stands elsewhere with 'was' and its age.
func TestHazard07SecondScreenStaleIsDashes(t *testing.T) {
	c := tell(partBlind(), 0).Corner[3]
	require.Equal(t, value{"--.--", "STALE 4.2 s", true}, c.Pressure)
	require.Equal(t, -1, c.Fill, "the bellows shows no pressure")
	require.Equal(t, "was 2.02 bar", c.Was)
	require.True(t, strings.HasSuffix(c.P.Gap, "M775 0H1000V100H775Z"), "93 of 120 seconds are known, then it is hatched: %s", c.P.Gap)
	require.Equal(t, value{"331.2", "steady", false}, c.Height)
	for _, c := range tell(blind(), 0).Corner {
		require.Equal(t, "--.--", c.Pressure.Figures)
		require.Equal(t, "---.-", c.Height.Figures)
		require.Equal(t, [2]int{-1, -1}, [2]int{c.Fill, c.Plate})
		require.Empty(t, c.P.Line)
		require.Equal(t, "M0 0H1000V100H0Z", c.P.Gap)
	}
	unseen := tell(unknown(), 0).Corner[0]
	require.Equal(t, value{"--.--", "not yet seen", true}, unseen.Pressure)
	require.Empty(t, unseen.Was)
}

// The drawing, by hand: 5.49 of 8 bar are 686 thousandths, 76 mm over design height stand 922
// thousandths up on a way of 90 mm to either side, 1 of 8 bar is 125.
func TestDrawing(t *testing.T) {
	c := tell(watching(), 0).Corner[0]
	require.Equal(t, [4]int{686, 922, 125, 8}, [4]int{c.Fill, c.Plate, c.Least, c.Top})
	s := watching()
	s.Corners[0].Pressure.Last.Value = 9
	s.Corners[1].Pressure.Last.Value = -0.3
	s.Corners[2].OverDesignKnown = false
	s.Corners[3].OverDesignMM = -200
	n := tell(s, 0)
	require.Equal(t, [2]int{563, 16}, [2]int{n.Corner[0].Fill, n.Corner[0].Top}, "9 of 16 bar")
	require.Equal(t, "\u22120.30", n.Corner[1].Pressure.Figures, "with the minus sign of a page")
	require.Equal(t, 0, n.Corner[1].Fill)
	require.Equal(t, 939, n.Corner[2].Plate, "470.2 mm on an axis from 320 to 480")
	require.Equal(t, 0, n.Corner[3].Plate, "lower than the drawing goes")
	steel := tell(steelFront(), 0).Corner[0]
	require.False(t, steel.Air)
	require.Equal(t, plot{}, steel.P, "there is nothing that could be missing")
	require.Equal(t, -1, tell(steelFront(), 0).Corner[2].Least)
}

// Another danger has another number, so that it sounds at once.
func TestAlarmNumbers(t *testing.T) {
	one, two := tell(danger(), 0).Alarm, tell(twoDangers(), 0).Alarm
	require.NotZero(t, one)
	require.NotEqual(t, one, two)
	later := danger()
	later.Now = later.Now.Add(10 * time.Second)
	require.Equal(t, one, tell(later, 0).Alarm, "the same danger, ten seconds on")
}

func TestLastEventsNewestFirst(t *testing.T) {
	require.Equal(t, []event{{"00:31:02", "lost", "118 frames in 0.19 s on can0"}, {"00:27:20", "mark", "leak-check"},
		{"00:26:20", "WARNING", "rear-right: fill refused, 0x22"}}, tell(watching(), 0).Events)
	require.Len(t, tell(danger(), 0).Events, maxEvents)
}

// Plots, by hand: 120 seconds in 1000, 0 to 10 in 100.
func TestPath(t *testing.T) {
	for name, c := range map[string]struct {
		dots      []dot
		begin     int
		fresh     bool
		line, gap string
	}{
		"a value a second":           {[]dot{{0, 0}, {1, 5}, {2, 10}}, 0, true, "M0 100.0h0L8 50.0L16 0.0", ""},
		"a gap":                      {[]dot{{0, 5}, {1, 5}, {12, 5}, {13, 5}}, 0, true, "M0 50.0h0L8 50.0M100 50.0h0L108 50.0", "M8 0H100V100H8Z"},
		"a slow signal has none":     {[]dot{{0, 5}, {6, 5}, {12, 5}}, 0, true, "M0 50.0h0L50 50.0L100 50.0", ""},
		"a slow signal with one":     {[]dot{{0, 5}, {6, 5}, {12, 5}, {60, 5}}, 0, true, "M0 50.0h0L50 50.0L100 50.0M500 50.0h0", "M100 0H500V100H100Z"},
		"stale up to now":            {[]dot{{107, 5}, {108, 5}}, 107, false, "M891 50.0h0L900 50.0", "M900 0H1000V100H900Z"},
		"never":                      {nil, 0, false, "", "M0 0H1000V100H0Z"},
		"the recording began lately": {[]dot{{60, 5}, {61, 5}}, 60, true, "M500 50.0h0L508 50.0", ""},
		"its first value came late":  {[]dot{{108, 5}, {109, 5}}, 60, true, "M900 50.0h0L908 50.0", "M500 0H900V100H500Z"},
		"never since it began":       {nil, 60, false, "", "M500 0H1000V100H500Z"},
		"outside the axis":           {[]dot{{0, -5}, {1, 15}}, 0, true, "M0 100.0h0L8 0.0", ""},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, plot{c.line, c.gap}, path(c.dots, c.begin, c.fresh, 0, 10))
		})
	}
}

// A history that was never filled, or is not there, draws nothing and breaks nothing.
func TestNoHistory(t *testing.T) {
	p, h := (*terminal.History)(nil).Second(5)
	require.True(t, math.IsNaN(p) && math.IsNaN(h))
	s := watching()
	s.Corners[0].History = nil
	require.Empty(t, draw(s, 0, decode.Pressure, 0, 8).Line)
	require.NotEmpty(t, draw(s, 1, decode.Pressure, 0, 8).Line)
	s.Corners[1].Pressure = safety.SignalState{}
	require.Equal(t, plot{}, draw(s, 1, decode.Pressure, 0, 8))
}
