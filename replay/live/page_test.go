package live

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/replay/terminal"
)

// TestPageIsTold: where the page is, is said at the start and in the help, since a screen covers what was
// printed before it.
func TestPageIsTold(t *testing.T) {
	page := func(o *Options) { o.Page = "http://127.0.0.1:4711/"; o.Terminal.Typed = true }
	sit(t, simulated(t, "early"), afterBleed, page, func(b *table) {
		s := b.State()
		require.Contains(b.t, s.Notice, "http://127.0.0.1:4711/")
		b.pass(noticeFor)
		s = b.State()
		require.Equal(b.t, soundQuestion, s.Notice)
		b.keys("y?")
		s = b.State()
		for _, size := range [][2]int{{80, 24}, {60, 20}} {
			picture := terminal.Draw(&s, size[0], size[1], terminal.Options{})
			require.Contains(b.t, strings.Join(picture.Text(), "\n"), "http://127.0.0.1:4711/", "%v", size)
		}
	})
}
