package terminal

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/decode"
	"ridewitness/safety"
)

var update = flag.Bool("update", false, "write the golden files anew; read them before committing")

var sizes = [][2]int{{120, 40}, {80, 24}, {60, 20}, {40, 12}, {30, 8}, {24, 5}}

// golden is the text of a picture in all sizes; at 80 columns the styles stand below it, one letter
// a cell.
func golden(s *State) string {
	var b strings.Builder
	for _, size := range sizes {
		p := Draw(s, size[0], size[1], Options{})
		fmt.Fprintf(&b, "== %d columns, %d rows\n%s\n", size[0], size[1], strings.Join(p.Text(), "\n"))
		if size[0] == 80 {
			fmt.Fprintf(&b, "== the same, its styles\n%s\n", strings.Join(p.styles(), "\n"))
		}
	}
	return b.String()
}

// styles writes each row with a letter a cell: plain, dim, bold, reverse, alarm, pressure, height.
func (p *Picture) styles() []string {
	rows := make([]string, p.height)
	for y := range rows {
		var b strings.Builder
		for _, c := range p.row(y) {
			b.WriteByte(" dbRAph"[c.s])
		}
		rows[y] = strings.TrimRight(b.String(), " ")
	}
	return rows
}

func TestPictures(t *testing.T) {
	for name, state := range states {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join("testdata", name+".txt")
			got := golden(state())
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
		})
	}
}

// forbidden are the words that may stand on no screen, not even negated.
var forbidden = regexp.MustCompile(`(?i)\b(safe|ok|ready|all clear|green)\b`)

// required are what no size may drop: the mode or the state, the origin, the time, and who warns.
func TestNoSizeDropsWhatMatters(t *testing.T) {
	for name, state := range states {
		for _, size := range [][2]int{{200, 60}, {120, 40}, {119, 39}, {100, 30}, {80, 24}, {79, 24}, {80, 23}, {60, 20}, {59, 19}, {50, 15}, {40, 12}, {30, 8}} {
			t.Run(fmt.Sprintf("%s %dx%d", name, size[0], size[1]), func(t *testing.T) {
				s := state()
				text := strings.Join(Draw(s, size[0], size[1], Options{}).Text(), "\n")
				flat := strings.Join(strings.Fields(text), " ")
				require.NotRegexp(t, forbidden, text)
				require.Contains(t, flat, s.origin(), "origin")
				require.Contains(t, flat, s.Sight.String(), "state")
				if s.Mode != Live {
					require.Contains(t, flat, s.Mode.Word(), "that it is no live picture")
				}
				require.Contains(t, flat, clock(s.Start, s.Now))
				require.Contains(t, flat, "Witness, not an interlock", "caution")
				require.Contains(t, flat, "tored air injures.")
				if s.danger() != nil {
					require.Contains(t, flat, "DANGER")
					require.Contains(t, flat, "STOP LOWERING.")
				} else if len(s.Standing) > 0 {
					require.Contains(t, flat, "Do not lower")
				}
				if s.Sight == Blind {
					require.Contains(t, flat, "ook at the lift, not here.")
				}
			})
		}
	}
}

// No size breaks anything: no row is wider than the terminal, and there are as many as it has.
func TestAnySize(t *testing.T) {
	names := slices.Sorted(maps.Keys(states))
	rapid.Check(t, func(t *rapid.T) {
		s := states[rapid.SampledFrom(names).Draw(t, "state")]()
		s.Label = clean(rapid.String().Draw(t, "label"))
		s.Notice = rapid.SampledFrom([]string{"", "paused"}).Draw(t, "notice")
		w, h := rapid.IntRange(-1, 180).Draw(t, "width"), rapid.IntRange(-1, 70).Draw(t, "height")
		ascii := rapid.Bool().Draw(t, "ascii")
		rows := Draw(s, w, h, Options{ASCII: ascii}).Text()
		require.Len(t, rows, max(h, 1))
		for _, row := range rows {
			require.LessOrEqual(t, cells(row), max(w, 1), "%q", row)
			for _, r := range row {
				require.True(t, r >= ' ' && (!ascii || r < 0x7f), "%q in %q", r, row)
			}
		}
	})
}

// The corners stand in the places that they have on the vehicle, and nothing moves when a warning
// comes.
func TestNothingMovesWhenAWarningComes(t *testing.T) {
	before, after := Draw(bled(2014), 80, 24, Options{}).Text(), Draw(comingDown(), 80, 24, Options{}).Text()
	for y, row := range before {
		for _, name := range []string{"FRONT LEFT", "FRONT RIGHT", "REAR LEFT", "REAR RIGHT", "Witness"} {
			if i := strings.Index(row, name); i >= 0 {
				require.Contains(t, after[y], name)
				require.Equal(t, cells(row[:i]), cells(after[y][:strings.Index(after[y], name)]))
			}
		}
	}
	require.True(t, strings.HasPrefix(after[bandTop], " !! DANGER  REAR-RIGHT"))
}

// A value that is not fresh never stands as a figure without 'was'.
func TestHazard07StaleIsDashes(t *testing.T) {
	for _, size := range sizes[:4] {
		for _, row := range Draw(blind(), size[0], size[1], Options{}).Text() {
			for _, value := range []string{"0.61", "5.49", "471.0"} {
				if i := strings.Index(row, value); i >= 0 {
					require.Regexp(t, `was |then |last `, row[:i], row)
				}
			}
		}
	}
	text := strings.Join(Draw(blind(), 80, 24, Options{}).Text(), "\n")
	require.Contains(t, text, "(?????)")
	require.Contains(t, text, "━ ━ ━ ━")
	require.NotContains(t, text, noWarning)
}

func TestHazard12OriginAlwaysInWords(t *testing.T) {
	for _, origin := range []string{"vehicle", "virtual", "simulated", "unknown", ""} {
		s := calm(100)
		s.Origin = origin
		want := strings.ToUpper(origin)
		if origin == "" {
			want = "UNKNOWN"
		}
		for _, size := range sizes[:5] {
			require.Contains(t, strings.Join(Draw(s, size[0], size[1], Options{}).Text(), " "), want)
		}
	}
}

func TestStandingLine(t *testing.T) {
	p := func(v float64) safety.SignalState { return signal(100, v, 0) }
	least := safety.Threshold{Value: 1, Known: true, From: "card"}
	for name, c := range map[string]struct {
		lines []safety.StandingLine
		want  string // the sentences of the page on screens, word for word
	}{
		"nothing known": {nil, "No warning now. That is no proof: look at the lift."},
		"bled": {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.NotProven, Pressure: p(0.2), Least: least, Bled: at(580)}},
			"Do not lower: rear-left 0.20 bar, least 1.00; bled 00:09:40, no filling seen since."},
		"refused": {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: p(0.61), Least: least, Bled: at(570), Fills: 1, Refused: at(1580), Code: 0x22}},
			"Do not lower: rear-right 0.61 bar, least 1.00; bled 00:09:30, one fill step answered, the next refused 00:26:20 (0x22)."},
		"the first fill refused": {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: p(0.1), Least: least, Bled: at(570), Refused: at(600)}},
			"Do not lower: rear-right 0.10 bar, least 1.00; bled 00:09:30, the fill refused 00:10:00."},
		"filled in five steps, still low": {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: p(0.9), Least: least, Bled: at(570), Fills: 5}},
			"Do not lower: rear-right 0.90 bar, least 1.00; bled 00:09:30, 5 fill steps answered since."},
		"a hair under zero": {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.NotProven, Pressure: p(-0.001), Least: least}},
			"Do not lower: rear-right 0.00 bar, least 1.00."},
		"unseen": {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.Unseen, Pressure: stale(signal(2061, 2.02, 4*time.Second), 4*time.Second), Squeezed: true}},
			"Do not lower: rear-right unseen since 00:34:17, then 2.02 bar (squeezed)."},
		"never seen":   {[]safety.StandingLine{{Corner: decode.RearRight, Kind: safety.Unseen}}, "Do not lower: rear-right unseen since 00:00:00."},
		"line open":    {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.LineIsOpen, Line: at(630)}}, "Do not lower: rear-left line marked open 00:10:30."},
		"no signal":    {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.BledNoPressure, Bled: at(570)}}, "Do not lower: rear-left bled 00:09:30, no fill answered since; it has no pressure signal."},
		"no least":     {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.NoLeastGiven}, {Corner: decode.RearRight, Kind: safety.NoLeastGiven}}, "Do not lower: no least pressure given for rear-left and rear-right; cannot tell."},
		"not yet seen": {[]safety.StandingLine{{Corner: decode.FrontLeft, Kind: safety.NotYetSeen}}, "Do not lower: before this recording unknown; front-left not yet seen above least pressure."},
		"said":         {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.SaidFilled, SaidBy: "K. Example", SaidAt: at(60)}}, "Said, not seen: rear-left is filled (K. Example, 00:01:00)."},
		"said by none": {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.SaidFilled, SaidAt: at(60)}}, "Said, not seen: rear-left is filled (00:01:00)."},
		"two": {[]safety.StandingLine{{Corner: decode.RearLeft, Kind: safety.LineIsOpen, Line: at(630)}, {Corner: decode.RearRight, Kind: safety.NotProven, Pressure: p(0.2), Least: least}},
			"Do not lower: rear-left line marked open 00:10:30. rear-right 0.20 bar, least 1.00."},
	} {
		t.Run(name, func(t *testing.T) {
			s := calm(100)
			s.Standing = c.lines
			require.Equal(t, c.want, s.StandingLine())
			for _, shorter := range s.standingVariants()[1:] {
				require.Less(t, len(shorter), len(c.want)+1)
			}
		})
	}
}

// However many corners stand against it and however narrow the terminal, each is named.
func TestStandingLineNamesEveryCorner(t *testing.T) {
	for _, size := range sizes[:5] {
		for n := 1; n <= 4; n++ {
			s := bled(100)
			s.Standing = nil
			for i := range n {
				s.Standing = append(s.Standing, safety.StandingLine{Corner: decode.Corners[i], Kind: safety.NotProven, Pressure: signal(100, 0.1, 0), Bled: at(50)})
			}
			var words []string
			for _, l := range s.band(size[0], bandRows) {
				words = append(words, l.text)
			}
			text := strings.Join(strings.Fields(strings.Join(words, " ")), " ")
			for i := range n {
				require.True(t, strings.Contains(text, decode.Corners[i].String()) || n == 4 && strings.Contains(text, "all four corners"), "%dx%d, %d: %s", size[0], size[1], n, text)
			}
		}
	}
}

func TestGoingDownIsAnsweredAtOnce(t *testing.T) {
	for name, c := range map[string]struct {
		state *State
		want  string
		sound bool
	}{
		"empty": {bled(1870), "Do not lower: rear-right 0.61 bar, least 1.00; bled 00:09:30, one fill step answered, the next refused 00:26:20 (0x22).", true},
		"calm":  {calm(2000), "Marked going down 00:33:20. Watching.", false},
		"blind": {&State{Buses: []Bus{{Silent: 65 * time.Second}}}, "Cannot tell: blind for 1:05. Look at the lift.", true},
		"zero":  {&State{}, "Cannot tell: blind. Look at the lift.", true},
	} {
		t.Run(name, func(t *testing.T) {
			got, sound := c.state.GoingDown()
			require.Equal(t, c.want, got)
			require.Equal(t, c.sound, sound)
		})
	}
}

func TestWordsOfTimeAndCount(t *testing.T) {
	require.Equal(t, "00:00:00", clock(start, start-5), "before the start")
	require.Equal(t, "27:46:39", clock(start, at(99999)))
	for want, d := range map[string]time.Duration{"0.0 s": 0, "4.2 s": 4249 * time.Millisecond, "59.9 s": 59999 * time.Millisecond, "12:26": 746 * time.Second, "3:12:26": 11546 * time.Second} {
		require.Equal(t, want, age(d))
	}
	for want, n := range map[string]uint64{"0": 0, "999": 999, "1 000": 1000, "687 888": 687888, "18 446 744 073 709 551 615": 1<<64 - 1} {
		require.Equal(t, want, grouped(n))
	}
}

// Labels come from files: nothing in them may move the cursor, hide a row or turn the writing round.
func TestHostileLabels(t *testing.T) {
	for hostile, want := range map[string]string{
		"\x1b[2Jwagon\a":                "[2Jwagon",
		"a\r\nb\tc":                     "a b c",
		"wag\u202eon":                   "wagon",     // turns the writing round
		"e\u0301\u0301\u0301gal":        "egal",      // combining
		"\u0085\u009b31mred":            "31mred",    // 8 bit control
		"\xff\xfe bad bytes":            "bad bytes", // no UTF-8
		"  spaces  ":                    "spaces",
		"\u4f60\u597d wagon":            "\u4f60\u597d wagon",
		"zero\u200bwidth\u2060":         "zerowidth",
		strings.Repeat("\u0300", 10000): "",
	} {
		require.Equal(t, want, clean(hostile))
	}
	s := calm(1870)
	s.Label = clean(strings.Repeat("\u4f60", 300))
	for _, row := range Draw(s, 80, 24, Options{}).Text() {
		require.LessOrEqual(t, cells(row), 80)
	}
}

func FuzzClean(f *testing.F) {
	f.Add("\x1b[2J", 10)
	f.Add("a b", 1)
	f.Add("你好 wagon", 3)
	f.Fuzz(func(t *testing.T, text string, n int) {
		cleaned := clean(text)
		for _, r := range cleaned {
			if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
				t.Fatalf("%q is left of %q", r, text)
			}
		}
		n = 2 + max(n, -n)%200
		for _, row := range append(wrap(cleaned, n, 4), cut(cleaned, n)) {
			if cells(row) > n {
				t.Fatalf("%q takes more than %d cells", row, n)
			}
		}
	})
}

func TestWrap(t *testing.T) {
	for name, c := range map[string]struct {
		text      string
		n, indent int
		want      []string
	}{
		"fits":              {"one two", 7, 0, []string{"one two"}},
		"breaks":            {"one two three", 7, 0, []string{"one two", "three"}},
		"indents":           {"one two three", 8, 2, []string{"one two", "  three"}},
		"a long word":       {"abcdefghij", 4, 0, []string{"abcd", "efgh", "ij"}},
		"after another":     {"ab cdefghij", 4, 1, []string{"ab", " cde", " fgh", " ij"}},
		"wide":              {"你好吗", 4, 0, []string{"你好", "吗"}},
		"indent in the way": {"ab 你好吗", 5, 4, []string{"ab", "你好", "吗"}},
		"nothing":           {"", 4, 0, nil},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, c.want, wrap(c.text, c.n, c.indent)) })
	}
}
