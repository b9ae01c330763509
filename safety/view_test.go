package safety

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/safety/jobcard"
)

// scene is a corner that a test plays on: its pressure ten times a second, its height too.
type scene struct {
	t    *testing.T
	j    *Judge
	l    *Lookout
	now  capture.Stamp
	mark uint64
	mm   float64
}

const cardOfOne = "version: 1\nsprings: {rear: {corners: [rear-left], least_pressure: 1 bar}}\n"

func newScene(t *testing.T, card string) *scene {
	c, err := jobcard.Load("card", []byte(card))
	require.NoError(t, err)
	signals := []decode.Signal{
		{Name: "pressure", Corner: decode.RearLeft, Quantity: decode.Pressure, Reference: decode.Gauge, Unit: quantity.Bar, Scale: 0.01, Uncertainty: 0.05},
		{Name: "height", Corner: decode.RearLeft, Quantity: decode.Height, Unit: quantity.Millimetre, Scale: 0.1},
	}
	j := NewJudge(signals, c, nil)
	return &scene{t: t, j: j, l: NewLookout(j), now: capture.StampOf(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)), mm: 470}
}

// holds reads one pressure for d.
func (s *scene) holds(bar float64, d time.Duration) {
	for ; d > 0; d -= 100 * time.Millisecond {
		s.now = s.now.Add(100 * time.Millisecond)
		s.j.Observe([]decode.Sample{{At: s.now, Value: bar, Raw: uint64(bar * 100), Signal: 0, Status: decode.StatusValid},
			{At: s.now, Value: s.mm, Raw: uint64(s.mm * 10), Signal: 1, Status: decode.StatusValid}})
	}
}

func (s *scene) silent(d time.Duration) { s.now = s.now.Add(d) }

func (s *scene) says(body string) {
	s.mark++
	s.j.Event(capture.Event{At: s.now, Kind: capture.EventJournal, Name: "mark", Record: s.mark, Body: []byte(body)})
}

// What stands against lowering, at each turn of a story. The corner hangs still all the time.
func TestLookoutStanding(t *testing.T) {
	const (
		bled   = `{"name":"bled","corner":"rear-left"}`
		open   = `{"name":"line-open","corner":"rear-left"}`
		closed = `{"name":"line-closed","corner":"rear-left"}`
		filled = `{"name":"filled","corner":"rear-left","by":"K. Example"}`
	)
	for name, c := range map[string]struct {
		story func(*scene)
		want  StandingKind
	}{
		"H08: nothing was seen yet":              {func(*scene) {}, NotYetSeen},
		"seen full":                              {func(s *scene) { s.holds(5, time.Second) }, NothingSeen},
		"H05: bled":                              {func(s *scene) { s.holds(5, time.Second); s.holds(0.2, time.Second) }, NotProven},
		"inside its uncertainty of least":        {func(s *scene) { s.holds(0.2, time.Second); s.holds(1.09, time.Minute) }, NotProven}, // 1 + 2 x 0.05 + 0.01 = 1.11
		"above it, long after the step":          {func(s *scene) { s.holds(0.2, time.Second); s.holds(1.12, 4*time.Minute) }, NothingSeen},
		"H18: a quick fill, still warm":          {func(s *scene) { s.holds(0.2, 20*time.Second); s.fills(0.2, 1.3); s.holds(1.3, 5*time.Second) }, NotProven}, // 1.3 less a quarter of 1.1
		"once proven, a little less still holds": {func(s *scene) { s.holds(1.3, 4*time.Minute); s.holds(1.05, time.Minute) }, NothingSeen},
		"H07: not heard for a minute":            {func(s *scene) { s.holds(5, time.Second); s.silent(time.Minute) }, Unseen},
		"line open":                              {func(s *scene) { s.holds(0.1, time.Second); s.says(open) }, LineIsOpen},
		"line closed again":                      {func(s *scene) { s.holds(0.1, time.Second); s.says(open); s.says(closed); s.holds(0.1, time.Second) }, NotProven},
		"said to be filled, seen empty":          {func(s *scene) { s.holds(0.1, time.Second); s.says(filled) }, NotProven},
		"said to be filled, not seen":            {func(s *scene) { s.holds(0.1, time.Second); s.silent(time.Minute); s.says(filled) }, SaidFilled},
		"said, then bled again":                  {func(s *scene) { s.says(filled); s.says(bled) }, Unseen},
		"said, and taken back":                   {func(s *scene) { s.says(filled); s.says(`{"name":"take-back","value":"J1"}`) }, NotYetSeen},
		"bled, and taken back":                   {func(s *scene) { s.says(bled); s.says(`{"name":"take-back","value":"J1"}`) }, NotYetSeen},
	} {
		t.Run(name, func(t *testing.T) {
			s := newScene(t, cardOfOne)
			c.story(s)
			got := s.l.Corner(decode.RearLeft, s.now)
			require.Equal(t, c.want, got.Kind, fmt.Sprintf("%+v", got.Pressure))
			require.Equal(t, c.want != NothingSeen, len(s.l.Standing(s.now)) == 1)
			require.Zero(t, s.l.Corner(decode.FrontLeft, s.now).Kind, "no air spring, nothing to say")
		})
	}
}

// fills raises the pressure by 0.2 bar a second.
func (s *scene) fills(from, to float64) {
	for p := from; p < to; p += 0.02 {
		s.holds(p, 100*time.Millisecond)
	}
}

// A least pressure that no card gives is good for 'broken' only: nothing is proven by it.
func TestLookoutWithoutALeastPressure(t *testing.T) {
	s := newScene(t, "version: 1\nsprings: {rear: {corners: [rear-left]}}\n")
	s.holds(5, time.Second)
	require.Equal(t, NoLeastGiven, s.l.Corner(decode.RearLeft, s.now).Kind)
	s.holds(0.5, time.Second)
	require.Equal(t, NotProven, s.l.Corner(decode.RearLeft, s.now).Kind)
}

// A corner with no pressure signal is known by requests and marks alone, and never proven (H06).
func TestHazard06LookoutWithoutAPressure(t *testing.T) {
	s := newScene(t, "version: 1\nsprings: {front: {corners: [front-left], least_pressure: 1 bar}}\n")
	kind := func() StandingKind { return s.l.Corner(decode.FrontLeft, s.now).Kind }
	s.holds(5, time.Second)
	require.Equal(t, NotYetSeen, kind())
	s.says(`{"name":"bled","corner":"front-left"}`)
	require.Equal(t, BledNoPressure, kind())
	s.says(`{"name":"filled","corner":"front-left"}`)
	require.Equal(t, SaidFilled, kind())
}

// A corner of which nothing is known but marks: no signal, and no card that names its spring.
func TestHazard06LookoutByMarksAlone(t *testing.T) {
	j := NewJudge(nil, nil, nil)
	l := NewLookout(j)
	s := &scene{t: t, j: j, l: l, now: capture.StampOf(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))}
	kind := func() StandingKind { return l.Corner(decode.RearLeft, s.now).Kind }
	require.Empty(t, l.Standing(s.now))
	s.says(`{"name":"bled","corner":"rear-left"}`)
	require.Equal(t, BledNoPressure, kind())
	s.says(`{"name":"line-open","corner":"rear-left"}`)
	require.Equal(t, LineIsOpen, kind())
	s.says(`{"name":"line-closed","corner":"rear-left"}`)
	require.Equal(t, BledNoPressure, kind())
	s.says(`{"name":"filled","corner":"rear-left"}`)
	require.Equal(t, SaidFilled, kind())
	require.Len(t, l.Standing(s.now), 1, "of the other corners nobody said anything")
}

func TestStandingKindWords(t *testing.T) {
	require.Equal(t, "nothing-seen", StandingKind(0).String())
	require.Equal(t, "line-open", LineIsOpen.String())
	require.Equal(t, "StandingKind(99)", StandingKind(99).String())
}

// A pressure that was proven wrong proves nothing.
func TestLookoutContradicted(t *testing.T) {
	s := newScene(t, "version: 1\nsprings: {rear: {corners: [rear-left], least_pressure: 1 bar, greatest_pressure: 11 bar}}\n")
	s.holds(5, time.Second)
	require.Equal(t, NothingSeen, s.l.Corner(decode.RearLeft, s.now).Kind)
	s.holds(50, time.Second) // more than one and a half times the greatest
	s.holds(5, time.Second)
	require.Equal(t, Unseen, s.l.Corner(decode.RearLeft, s.now).Kind)
	require.True(t, s.l.View(decode.RearLeft, s.now).Pressure.Contradicted)
}
