package terminal

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// What another screen is told are the words of the terminal itself: each sentence of the fullest band
// stands in the picture of a terminal wide enough for it, and so do the words of head and corners.
func TestOtherScreensSayTheSame(t *testing.T) {
	flat := func(text string) string { return strings.Join(strings.Fields(text), " ") }
	for name, state := range states {
		t.Run(name, func(t *testing.T) {
			s := state()
			s.Pane = CornerPane // the others have no keys
			picture := flat(strings.Join(Draw(s, 300, 60, Options{}).Text(), " "))
			for _, sentence := range s.Band().Layouts[0] {
				own := strings.NewReplacer(thereSilences, hereSilences, "This line stays", "stays This line stays").Replace(sentence)
				require.Contains(t, picture, flat(own))
			}
			w := s.Words()
			all := []string{w.Mode, w.Sight + " " + w.Causes[0], w.Origin, w.Clock, w.Stage, w.Local}
			if w.Trouble == "" {
				all = append(all, "lost "+w.Lost, w.Kept, w.Sound, w.Written)
			} else {
				all = append(all, w.Trouble)
			}
			for _, words := range all {
				require.Contains(t, picture, flat(words))
			}
			for i := range s.Corners {
				c := s.CornerWords(i)
				for _, words := range []string{c.Does, c.Height.Figures, c.Note, c.Age} {
					if s.Corners[i].OnAir && (words != c.Age || c.Was == "") {
						require.Contains(t, picture, flat(strings.TrimSuffix(words, " 1.00")))
					}
				}
			}
		})
	}
}

// In its fewest words a band still says what to do.
func TestBandInItsFewestWords(t *testing.T) {
	last := func(s *State) string {
		layouts := s.Band().Layouts
		return strings.Join(layouts[len(layouts)-1], " ")
	}
	require.Equal(t, "REAR-RIGHT: STOP LOWERING.", last(comingDown()))
	require.Equal(t, "REAR-LEFT AND REAR-RIGHT: STOP LOWERING.", last(twoDangers()))
	require.Equal(t, "Do not lower.", last(bled(1870)))
	require.Contains(t, last(blind()), "Look at the lift, not here. Do not lower.")
}

func TestWhenItSounds(t *testing.T) {
	require.False(t, bled(1870).Sounding())
	require.True(t, comingDown().Sounding())
	require.False(t, over().Sounding(), "a danger that is over")
	s := comingDown()
	s.Recording.SilencedUntil = s.Now + 1
	require.False(t, s.Sounding())
	s.Recording.SilencedUntil = s.Now
	require.True(t, s.Sounding(), "the silence is over")
	s.Recording = nil
	require.True(t, s.Sounding(), "nobody can silence it")
}
