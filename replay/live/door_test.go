package live

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// opened is a door to a recording that exists on paper only.
func opened(t *testing.T, keep *ledger) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "a session with a name that is much longer than the address of a socket may be "+strings.Repeat("x", 100)+".pcapng")
	d := NewDoor(keep.Journal, func() capture.Stamp { return 77 })
	require.NoError(t, d.Open(path))
	t.Cleanup(d.Close)
	return path
}

func TestDoorTakesMarks(t *testing.T) {
	for name, c := range map[string]struct {
		at     capture.Stamp
		record any
		want   string // of the error; "" is let in
	}{
		"now":               {0, session.MarkRecord{Kind: "mark", Name: "line-open", Corner: "rear-left"}, ""},
		"earlier":           {12, session.MarkRecord{Kind: "mark", Name: "bled", Corner: "rear-left"}, ""},
		"a name of its own": {0, session.MarkRecord{Kind: "mark", Name: "tea"}, ""},
		"a handover":        {0, map[string]string{"kind": "handover", "to": "KL"}, ""},
		"no corner":         {0, session.MarkRecord{Kind: "mark", Name: "bled", Corner: "boot"}, `"boot" is no corner`},
		"no tape":           {0, session.MarkRecord{Kind: "mark", Name: "tape", Corner: "rear-left", Value: "wide"}, "tape"},
		"a warning":         {0, session.WarningRecord{Kind: "warning"}, `only marks and handovers are taken, not "warning"`},
		"a seal":            {0, map[string]string{"kind": "seal"}, `not "seal"`},
		"no object":         {0, []int{1}, "no record"},
		"too long":          {0, session.MarkRecord{Kind: "mark", Name: "note", Note: strings.Repeat("x", longestKnock)}, "did not"},
	} {
		t.Run(name, func(t *testing.T) {
			keep := &ledger{}
			path := opened(t, keep)
			n, at, err := Tell(t.Context(), path, c.at, c.record)
			if c.want != "" {
				require.ErrorContains(t, err, c.want)
				require.Empty(t, keep.records)
				return
			}
			require.NoError(t, err)
			require.EqualValues(t, 1, n)
			want := c.at
			if want == 0 {
				want = 77
			}
			require.Equal(t, want, at)
			require.Equal(t, want, keep.records[0].at)
			body, err := json.Marshal(c.record)
			require.NoError(t, err)
			require.JSONEq(t, string(body), string(keep.records[0].body))
		})
	}
}

func TestDoorAnswersWhatWentWrong(t *testing.T) {
	keep := &ledger{err: errors.New("nothing can be written")}
	_, _, err := Tell(t.Context(), opened(t, keep), 0, session.MarkRecord{Kind: "mark", Name: "note"})
	require.EqualError(t, err, "nothing can be written")
}

func TestDoorOfNobody(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.pcapng")
	_, _, err := Tell(t.Context(), path, 0, session.MarkRecord{Kind: "mark", Name: "note"})
	require.ErrorIs(t, err, ErrNobody)
	d := NewDoor((&ledger{}).Journal, func() capture.Stamp { return 1 })
	require.NoError(t, d.Open(path))
	d.Close()
	_, _, err = Tell(t.Context(), path, 0, session.MarkRecord{Kind: "mark", Name: "note"})
	require.ErrorIs(t, err, ErrNobody, "it is closed")
	require.NoError(t, d.Open(path), "too late, and no error")
	_, _, err = Tell(t.Context(), path, 0, session.MarkRecord{Kind: "mark", Name: "note"})
	require.ErrorIs(t, err, ErrNobody)
}

// TestDoorAfterAKill opens where the socket of a recorder that was killed still lies.
func TestDoorAfterAKill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.pcapng")
	address, err := doorOf(path)
	require.NoError(t, err)
	l, err := net.Listen("unix", address)
	require.NoError(t, err)
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	require.NoError(t, l.Close())
	d := NewDoor((&ledger{}).Journal, func() capture.Stamp { return 1 })
	require.NoError(t, d.Open(path))
	defer d.Close()
	_, _, err = Tell(t.Context(), path, 0, session.MarkRecord{Kind: "mark", Name: "note"})
	require.NoError(t, err)
}

// TestDoorIsOfOneUser: the folder of the sockets is refused where somebody else could enter it.
func TestDoorIsOfOneUser(t *testing.T) {
	path := filepath.Join(t.TempDir(), "one.pcapng")
	address, err := doorOf(path)
	require.NoError(t, err)
	folder := filepath.Dir(address)
	info, err := os.Stat(folder)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm())

	run := t.TempDir()
	t.Setenv("XDG_RUNTIME_DIR", run)
	require.NoError(t, os.Mkdir(filepath.Join(run, "ridewitness"), 0o700))
	require.NoError(t, os.Chmod(filepath.Join(run, "ridewitness"), 0o777))
	_, err = doorOf(path)
	require.ErrorContains(t, err, "not a folder of this user alone")

	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	require.NoError(t, os.Symlink(run, filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "ridewitness")))
	_, err = doorOf(path)
	require.ErrorContains(t, err, "not a folder of this user alone")
}

// TestDoorWithACrowd: many at once, some of whom say nothing, or nonsense; every mark gets a number of its
// own.
func TestDoorWithACrowd(t *testing.T) {
	keep := &ledger{}
	path := opened(t, keep)
	address, err := doorOf(path)
	require.NoError(t, err)
	for range 3 { // they hold a seat each
		c, err := net.Dial("unix", address)
		require.NoError(t, err)
		defer c.Close()
	}
	c, err := net.Dial("unix", address)
	require.NoError(t, err)
	defer c.Close()
	_, err = c.Write([]byte("]\n"))
	require.NoError(t, err)
	answer, err := bufio.NewReader(c).ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, answer, "no record")

	const many = 40
	var all sync.WaitGroup
	numbers := make(chan uint64, many)
	for range many {
		all.Go(func() {
			n, _, err := Tell(context.Background(), path, 0, session.MarkRecord{Kind: "mark", Name: "note"})
			if err == nil {
				numbers <- n
			}
		})
	}
	all.Wait()
	close(numbers)
	seen := map[uint64]bool{}
	for n := range numbers {
		seen[n] = true
	}
	require.Len(t, seen, many)
}
