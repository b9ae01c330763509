package classroom

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
)

// Every rule whose breach matters can be asked about, and no advice is.
func TestDraftKnowsTheRules(t *testing.T) {
	for _, r := range safety.Rules {
		a, ok := askings[r.Name]
		require.Equal(t, r.Severity != safety.Advice, ok, r.Name)
		require.LessOrEqual(t, len(a.right), maxChoice)
		require.LessOrEqual(t, len(a.denial), maxChoice)
	}
}

// A draft of any scenario is a lesson that loads, passes the schema and finds its stops; each of its
// wrong lines says why.
func TestDraftsCanBeTaught(t *testing.T) {
	schema := documenttest.Compile(t, Schema())
	for _, name := range []string{"early", "venting", "short", "crushed"} {
		t.Run(name, func(t *testing.T) {
			plays := Plays{Scenario: name, Seed: 1}
			in, err := ScenarioInput(plays)
			require.NoError(t, err)
			c, err := Watch(context.Background(), in)
			require.NoError(t, err)
			text := Draft(c, plays)
			require.Equal(t, text, Draft(c, plays))
			require.NoError(t, schema.Check([]byte(text)), text)
			l, err := Load("draft.yaml", []byte(text))
			require.NoError(t, err, text)
			require.Equal(t, plays, l.Plays)
			_, err = NewRoom(l, c)
			require.NoError(t, err, text)
			for _, s := range l.Stops {
				for i, choice := range s.Choices {
					require.Equal(t, i == s.Answer, choice.Wrong == "", "%s: %s", s.Question, choice.Text)
				}
			}
			requireCalm(t, name, text)
		})
	}
}

// The draft of the job that was lowered too early says what the frames show: 0.42 bar gauge, by the
// evidence of the finding, before the corner began to close.
func TestDraftOfAnEarlyLowering(t *testing.T) {
	l, err := Load("draft.yaml", []byte(Draft(roomOf(t, "early").Course, Plays{Session: "a: b.pcapng"})))
	require.NoError(t, err)
	require.Equal(t, "a: b.pcapng", l.Plays.Session)
	require.Equal(t, "What happened here: demo wagon 7", l.Title)
	s := l.Stops[0]
	require.Equal(t, "lowered-without-pressure", s.At.Finding)
	require.Equal(t, "The body came down on a spring with too little air", s.Choices[s.Answer].Text)
	require.Contains(t, s.Reason, "0.42 bar gauge")
	all := fmt.Sprint(s.Choices)
	require.Contains(t, all, "rear_right_pressure was 0.42 bar")
	require.Contains(t, all, "The rear left had 3.25 bar gauge then")
}

// Where nothing was found the class is asked what that proves.
func TestDraftOfNothing(t *testing.T) {
	c := *roomOf(t, "early").Course
	c.Findings = nil
	c.Label = ""
	l, err := Load("draft.yaml", []byte(Draft(&c, Plays{})))
	require.NoError(t, err)
	require.Equal(t, "What happened here", l.Title)
	require.Equal(t, Plays{Seed: 1}, l.Plays)
	require.Len(t, l.Stops, 1)
	require.Equal(t, "That what could be judged was not broken, and no more", l.Stops[0].Choices[l.Stops[0].Answer].Text)
}

// Texts of files can hold anything; a draft of them still loads.
func TestDraftQuotesWhatItIsGiven(t *testing.T) {
	c := *roomOf(t, "early").Course
	c.Label = "a \"b\": #c\n\x00 " + strings.Repeat("long ", 60)
	l, err := Load("draft.yaml", []byte(Draft(&c, Plays{})))
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(l.Title, `What happened here: a "b": #c`), l.Title)
	require.True(t, strings.HasSuffix(l.Title, "..."))
}

func TestPanel(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true})
	stop := h.room.Lesson.Stops[0]
	text := func(width int, answer bool) string { return strings.Join(h.server.Panel(width, answer), "\n") }
	require.Contains(t, text(80, false), "next: stop 1 of 3")
	require.Contains(t, text(80, false), "phones: 192.0.2.10:8717/j/"+h.server.code)
	do(t, h.room, NextStop)
	due := text(80, false)
	require.Contains(t, due, "10:36  held at stop 1")
	require.Contains(t, due, stop.Question[:60])
	require.Contains(t, due, "   2  Stop, the rear right has too little air")
	require.Contains(t, due, "answer hidden")
	require.Contains(t, due, "rear-right   0.42 bar gauge  473 mm")
	require.Contains(t, due, "no vehicle moves")
	require.Contains(t, text(80, true), " * 2  Stop, the rear right has too little air")
	do(t, h.room, Ask, Close)
	require.NotContains(t, text(80, false), "*")
	do(t, h.room, Reveal)
	require.Contains(t, text(80, false), " * 2  ", "the class knows")
	for _, width := range []int{0, 20, 40, 80, 120} {
		for _, line := range h.server.Panel(width, true) {
			require.LessOrEqual(t, len([]rune(line)), width)
		}
	}
	requireCalm(t, "panel", due)
}

// The names that lessons and commands show come from one place each.
func TestLessonsPlayScenariosThatThereAre(t *testing.T) {
	for _, name := range Names() {
		l, err := Builtin(name)
		require.NoError(t, err)
		require.Contains(t, scenario.Names(), l.Plays.Scenario)
	}
	_, err := ScenarioInput(Plays{Scenario: "none"})
	require.ErrorContains(t, err, `no scenario is called "none"`)
}
