package classroom

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/document/documenttest"
	"ridewitness/safety"
)

// good is what each case below changes in one place.
const good = `version: 1
title: down too early
plays: {scenario: early, seed: 1}
window: 3 min
stops:
  - at: {finding: lowered-without-pressure, corner: rear-right}
    before: 1 s
    corners: [rear-left, rear-right]
    question: What will the pressure do?
    choices:
      - text: Rise
      - text: Fall
        wrong: no air leaves
      - Stay
    answer: 1
    reason: the same air in less room
`

// mistake is a change to a good text and what is said about it.
type mistake struct{ name, old, new, want string }

var mistakes = []mistake{
	{"another version", "version: 1", "version: 2", `l.yaml:1:10: version: 2 is out of range, expected 1`},
	{"no title", "title: down too early\n", "", `l.yaml:1:1: title: is missing, expected what the lesson is about, in a few words`},
	{"unknown key", "window:", "windows:", `l.yaml:4:1: windows: is no key that is known here, expected window`},
	{"unknown scenario", "scenario: early", "scenario: erly", `l.yaml:3:19: plays.scenario: found "erly", expected early`},
	{"two sessions", "scenario: early,", "scenario: early, session: a.pcapng,",
		`l.yaml:3:35: plays.session: a lesson plays one session, expected a scenario or a session, not both`},
	{"a seed for a recording", "scenario: early, seed", "session: a.pcapng, seed",
		`l.yaml:3:34: plays.seed: a recording has no seed, expected it with a scenario only`},
	{"nothing to play", "{scenario: early, seed: 1}", "{}", `l.yaml:3:8: plays: nothing to play is named, expected a scenario or a session`},
	{"window without unit", "3 min", "3", `l.yaml:4:9: window: 3 has no unit, expected`},
	{"window too short", "3 min", "0.1 s", `l.yaml:4:9: window: 0.1 s is out of range, expected 1 s to 172800 s`},
	{"unknown finding", "lowered-without-pressure", "lowered-without-presure",
		`l.yaml:6:19: at.finding: found "lowered-without-presure", expected lowered-without-pressure`},
	{"unknown corner", "corner: rear-right}", "corner: rear-rigth}", `l.yaml:6:53: at.corner: found "rear-rigth", expected rear-right`},
	{"finding and mark", "{finding:", "{mark: lowered, finding:", `l.yaml:6:9: at: names 2 moments, expected one of finding, mark and time`},
	{"no moment", "{finding: lowered-without-pressure, corner: rear-right}", "{corner: rear-right}",
		`l.yaml:6:9: at: names 0 moments, expected one of finding, mark and time`},
	{"a time with a corner", "finding: lowered-without-pressure", `time: "12:30"`,
		`l.yaml:6:33: at.corner: a time has no corner, expected it with a finding or a mark only`},
	{"a time that is none", "{finding: lowered-without-pressure, corner: rear-right}", "{time: noon}",
		`l.yaml:6:16: at.time: noon is no session time, expected a time since the session's start such as 12:30 or 1:02:03`},
	{"a time with 75 seconds", "{finding: lowered-without-pressure, corner: rear-right}", `{time: "1:75"}`,
		`l.yaml:6:16: at.time: 1:75 has more than 59 minutes or seconds, expected a time since the session's start such as 12:30 or 1:02:03`},
	{"a time twice", "{finding: lowered-without-pressure, corner: rear-right}", `{time: "1:15", number: 2}`,
		`l.yaml:6:32: at.number: a time comes once, expected it with a finding or a mark only`},
	{"outcome of a mark", "{finding: lowered-without-pressure, corner: rear-right}", "{mark: lowered, outcome: broken}",
		`l.yaml:6:34: at.outcome: only a finding has an outcome, expected it with a finding only`},
	{"a stop at what held", "corner: rear-right}", "outcome: held}", `l.yaml:6:54: at.outcome: found "held", expected broken or cannot-tell`},
	{"before a day", "1 s", "25 h", `l.yaml:7:13: before: 25 h is out of range, expected 0 s to 3600 s`},
	{"a corner twice", "[rear-left, rear-right]", "[rear-left, rear-left]", `l.yaml:8:26: corners: rear-left is given twice, expected each corner once`},
	{"no corners", "[rear-left, rear-right]", "[]", `l.yaml:8:14: corners: the list is empty, expected at least one corner`},
	{"no question", "question: What will the pressure do?", "question: ''", `l.yaml:9:15: question: found nothing, expected a text`},
	{"a question too long", "What will", strings.Repeat("What ", 30) + "will", `l.yaml:9:15: question: the text has 171 characters, expected at most 140, to be read from afar`},
	{"one choice", "      - text: Fall\n        wrong: no air leaves\n      - Stay\n", "", `l.yaml:11:7: choices: the list has 1 choices, expected 2 to 6`},
	{"the same twice", "- Stay", "- Fall", `l.yaml:14:9: choices: is the same as choice 2, expected different choices`},
	{"an answer too high", "answer: 1", "answer: 4", `l.yaml:15:13: answer: 4 is out of range, expected a whole number from 1 to 3`},
	{"an answer of 0", "answer: 1", "answer: 0", `l.yaml:15:13: answer: 0 is out of range, expected a whole number from 1 to 3`},
	{"an answer in words", "answer: 1", "answer: Rise", `l.yaml:15:13: answer: found "Rise", expected a whole number from 1 to 3`},
	{"an answer that is wrong", "answer: 1", "answer: 2", `l.yaml:15:13: answer: choice 2 says why it is wrong, expected the number of the right choice`},
	{"no answer", "    answer: 1\n", "", `l.yaml:6:5: answer: is missing, expected the number of the right choice, from 1`},
	{"no reason", "    reason: the same air in less room\n", "", `l.yaml:6:5: reason: is missing, expected why the answer is right`},
}

func TestMistakesAreNamed(t *testing.T) {
	_, err := Load("l.yaml", []byte(good))
	require.NoError(t, err)
	for _, m := range mistakes {
		t.Run(m.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(good, m.old), "the case changes one place")
			_, err := Load("l.yaml", []byte(strings.Replace(good, m.old, m.new, 1)))
			require.ErrorContains(t, err, m.want)
			var e *document.Error
			require.True(t, errors.As(err, &e))
		})
	}
	_, err = Load("l.yaml", []byte("version: 1\ntitle: x\nstops: []\n"))
	require.EqualError(t, err, "l.yaml:3:8: stops: the list has 0 stops, expected 1 to 40")
	_, err = Load("l.yaml", []byte("version: 1\ntitle: x\n"))
	require.EqualError(t, err, "l.yaml:1:1: stops: is missing, expected a list of stops")
}

func TestACompleteLesson(t *testing.T) {
	l, err := LoadFile("../../testdata/lessons/complete.yaml")
	require.NoError(t, err)
	require.Equal(t, Plays{Scenario: "early", Seed: 7}, l.Plays)
	require.Equal(t, 5*time.Minute, l.Window)
	require.Len(t, l.Stops, 3)
	s := l.Stops[0]
	require.Equal(t, Moment{Timed: true, Time: 30 * time.Second, Number: 1, Outcome: safety.Broken}, s.At)
	require.Equal(t, 5*time.Second, s.Before)
	require.Equal(t, []decode.Corner{decode.FrontLeft, decode.RearRight}, s.Corners)
	require.Equal(t, []Choice{{"Pressures that carry the body", ""},
		{"Nothing of use", "These are the pressures that it had before the job."}}, s.Choices)
	require.Zero(t, s.Answer)
	require.Equal(t, []decode.Corner{decode.RearLeft, decode.RearRight}, l.Stops[1].Corners, "of the axle in question")
	require.Len(t, l.Stops[2].Choices, 6)
	require.Equal(t, Moment{Finding: "lowered-without-pressure", Outcome: safety.Broken, Corner: decode.RearRight, Number: 1}, l.Stops[2].At)
	l, err = LoadFile("../../testdata/lessons/session.yaml")
	require.NoError(t, err)
	require.Equal(t, Plays{Seed: 1}, l.Plays)
	_, err = LoadFile("../../testdata/lessons/none.yaml")
	require.ErrorIs(t, err, os.ErrNotExist)
}

// A stop that never comes is found before the class sits there.
func TestStopsThatNeverCome(t *testing.T) {
	c := roomOf(t, "early").Course
	cases := []struct{ name, at, want string }{
		{"a mark", "{mark: ballast-in}", "l.yaml:6:9: at: mark ballast-in does not come in this session, expected one of tape, lift-up, wheels-off, bled, " +
			"line-open, line-closed, wheels-on, going-down, first-contact, lowered"},
		{"a mark at another corner", "{mark: bled, corner: front-left}", "l.yaml:6:9: at: mark bled at front-left does not come in this session, expected one of"},
		{"a mark too often", "{mark: bled, number: 3}", "l.yaml:6:9: at: mark bled number 3 does not come in this session"},
		{"a finding", "{finding: over-pressure}", "l.yaml:6:9: at: finding over-pressure (broken) does not come in this session, expected one of " +
			"lowered-without-pressure, stood-without-pressure"},
		{"a finding at another corner", "{finding: lowered-without-pressure, corner: rear-left}",
			"l.yaml:6:9: at: finding lowered-without-pressure at rear-left (broken) does not come in this session"},
		{"a time behind the end", `{time: "1:00:00"}`, "l.yaml:6:9: at: the session is over before 1:00:00, expected a time up to 16:18"},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			text := strings.Replace(good, "{finding: lowered-without-pressure, corner: rear-right}", k.at, 1)
			l, err := Load("l.yaml", []byte(text))
			require.NoError(t, err)
			_, err = NewRoom(l, c)
			require.ErrorContains(t, err, k.want)
			var e *StopError
			require.True(t, errors.As(err, &e))
		})
	}
}

// Every shipped lesson loads, finds its stops, and has a reason for each wrong line.
func TestShippedLessons(t *testing.T) {
	require.Equal(t, []string{"blind", "cooling", "early"}, Names())
	for _, name := range Names() {
		r := roomOf(t, name)
		require.Equal(t, name, r.Lesson.Name)
		require.NotEmpty(t, r.stops)
		for i, s := range r.stops {
			for k, c := range s.Choices {
				require.Equal(t, k == s.Answer, c.Wrong == "", "%s, stop %d, choice %d", name, i+1, k+1)
			}
			if i > 0 {
				require.LessOrEqual(t, r.stops[i-1].at, s.at)
			}
		}
	}
	_, err := Builtin("early.yaml")
	require.EqualError(t, err, `no lesson is called "early.yaml", expected one of blind, cooling, early`)
}

// What the shipped lessons say of the numbers is what the frames show.
func TestShippedLessonsAreTrue(t *testing.T) {
	early := roomOf(t, "early")
	right := &early.Course.corners[decode.RearRight]
	require.Less(t, right.pressure.read(early.stops[0].at).value, 0.5, "less than half a bar")
	require.Equal(t, 1.0, right.least)
	down := early.stops[2].at
	require.Greater(t, right.pressure.read(down).value, right.least, "squeezed above the least pressure")
	require.Less(t, right.height.read(down).value, right.height.read(early.stops[1].at).value-50, "while it closed")

	cooling := roomOf(t, "cooling")
	for id, drop := range map[decode.Corner]float64{decode.FrontLeft: 13, decode.RearRight: 9} {
		n := &cooling.Course.corners[id]
		evening, morning := cooling.stops[0].at, cooling.stops[1].at
		require.InDelta(t, drop, n.height.read(evening).value-n.height.read(morning).value, 0.6)
		require.InDelta(t, n.pressure.read(evening).value, n.pressure.read(morning).value, 0.05, "the body weighs the same")
	}

	blind := roomOf(t, "blind")
	n := &blind.Course.corners[decode.RearRight]
	require.False(t, n.height.read(blind.stops[0].at).valid, "the height is not there when the class is asked")
	require.True(t, n.pressure.read(blind.stops[0].at).valid)
	require.False(t, blind.Course.corners[decode.RearLeft].height.read(blind.stops[0].at).valid, "both are in one frame")
	require.True(t, blind.Course.corners[decode.FrontRight].height.read(blind.stops[0].at).valid)
}

func TestSchemaAndLoaderAgree(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	files, err := filepath.Glob("../../testdata/lessons/*.yaml")
	require.NoError(t, err)
	shipped, err := filepath.Glob("lessons/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range append(files, shipped...) {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NoError(t, schema.Check(text), file)
		_, err = Load(file, text)
		require.NoError(t, err)
	}
	for keys, path := range map[string][]string{
		strings.Join(lessonKeys, " "): nil, strings.Join(playsKeys, " "): {"$defs", "plays"}, strings.Join(stopKeys, " "): {"$defs", "stop"},
		strings.Join(atKeys, " "): {"$defs", "at"}, strings.Join(choiceKeys, " "): {"$defs", "choice"},
	} {
		require.ElementsMatch(t, strings.Fields(keys), schema.Keys(t, path...))
	}
}

// What a schema can know, it refuses as the loader does.
func TestSchemaRefusesMistakes(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	require.NoError(t, schema.Check([]byte(good)))
	beyond := map[string]bool{"unknown scenario": true, "window too short": true, "unknown finding": true, "before a day": true,
		"the same twice": true, "an answer too high": true, "an answer that is wrong": true, "a time with 75 seconds": true}
	for _, m := range mistakes {
		err := schema.Check([]byte(strings.Replace(good, m.old, m.new, 1)))
		require.Equal(t, beyond[m.name], err == nil, m.name)
	}
}

// FuzzLoad: any text loads, or is refused with a place; what loads can be asked.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(good))
	for _, m := range mistakes {
		f.Add([]byte(strings.Replace(good, m.old, m.new, 1)))
	}
	for _, file := range []string{"complete.yaml", "session.yaml"} {
		text, err := os.ReadFile("../../testdata/lessons/" + file)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		l, err := Load("l.yaml", text)
		if err != nil {
			var e *document.Error
			require.True(t, errors.As(err, &e), "%v", err)
			require.Positive(t, e.Line)
			require.Positive(t, e.Column)
			return
		}
		require.NotEmpty(t, l.Stops)
		require.Positive(t, l.Window)
		for _, s := range l.Stops {
			require.Less(t, s.Answer, len(s.Choices))
			require.Empty(t, s.Choices[s.Answer].Wrong)
			require.NotEmpty(t, s.Corners)
			require.NotEmpty(t, s.Question)
			require.GreaterOrEqual(t, s.Before, time.Duration(0))
		}
	})
}
