package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/replay/terminal/ptytest"
)

// demoOn runs the demo on a terminal, presses Q once it was sent what matches until, and returns all
// that it was sent.
func demoOn(t *testing.T, until *regexp.Regexp, environment ...string) string {
	t.Helper()
	hand, tty := ptytest.Pair(t)
	self, err := os.Executable()
	require.NoError(t, err)
	run := exec.CommandContext(t.Context(), self, "demo")
	run.Args[0] = "ridewitness" // TestMain goes by it
	run.Dir = t.TempDir()
	run.Env = append([]string{"LANG=C.UTF-8"}, environment...)
	run.Stdin, run.Stdout, run.Stderr = tty, tty, tty
	require.NoError(t, run.Start())
	require.NoError(t, tty.Close())

	var sent strings.Builder
	piece := make([]byte, 4096)
	for pressed := false; ; {
		n, err := hand.Read(piece)
		sent.Write(piece[:n])
		if err != nil {
			break // the program has closed the other end
		}
		if !pressed && until.MatchString(sent.String()) {
			pressed = true
			_, err := hand.WriteString("q")
			require.NoError(t, err)
		}
	}
	require.NoError(t, run.Wait(), sent.String())
	require.FileExists(t, filepath.Join(run.Dir, "demo-1.pcapng"))
	require.FileExists(t, filepath.Join(run.Dir, "demo-1.html"))
	require.Contains(t, sent.String(), "Left behind: demo-1.pcapng")
	require.Empty(t, forbidden([]string{"demo"}, sent.String()))
	return sent.String()
}

// colour is a control sequence of ECMA-48 that sets one.
var colour = regexp.MustCompile(`\x1b\[(?:[0-9]+;)*(?:3[0-7]|4[0-7]|9[0-7]|10[0-7]|[34]8;[0-9;]+)(?:;[0-9]+)*m`)

// picture is in the very first one: Q counts from then on.
var picture = regexp.MustCompile(`SIMULATED`)

// On a terminal the demo plays on a screen of its own and puts back what was there.
func TestDemoOnATerminal(t *testing.T) {
	sent := demoOn(t, colour, "TERM=xterm-256color")
	require.Contains(t, sent, "\x1b[?1049h")
	require.Contains(t, sent, "\x1b[?25h")
	_, after, _ := strings.Cut(sent, "\x1b[?1049l")
	require.Contains(t, after, "Left behind", "the words stand on the screen that stays")
	require.Contains(t, sent, "origin SIMULATED")
	require.Regexp(t, colour, sent)
}

func TestDemoWithoutColours(t *testing.T) {
	sent := demoOn(t, picture, "TERM=xterm-256color", "NO_COLOR=1")
	require.Contains(t, sent, "\x1b[?1049h")
	require.NotRegexp(t, colour, sent)
}

// A terminal that moves no cursor gets lines, and not one control sequence.
func TestDemoOnADumbTerminal(t *testing.T) {
	require.NotContains(t, demoOn(t, picture, "TERM=dumb"), "\x1b")
}

// preparedOn runs `prepare` on a terminal, answers whether the bell was heard, and returns all that it was
// sent.
func preparedOn(t *testing.T, answer string) string {
	t.Helper()
	hand, tty := ptytest.Pair(t)
	self, err := os.Executable()
	require.NoError(t, err)
	run := exec.CommandContext(t.Context(), self, "prepare")
	run.Args[0] = "ridewitness" // TestMain goes by it
	run.Dir = t.TempDir()
	run.Env = []string{"LANG=C.UTF-8", "TERM=xterm-256color"}
	run.Stdin, run.Stdout, run.Stderr = tty, tty, tty
	require.NoError(t, run.Start())
	require.NoError(t, tty.Close())

	var sent strings.Builder
	piece := make([]byte, 4096)
	for answered := false; ; {
		n, err := hand.Read(piece)
		sent.Write(piece[:n])
		if err != nil {
			break // the program has closed the other end
		}
		if !answered && strings.Contains(sent.String(), "Did you hear it?") {
			answered = true
			_, err := hand.WriteString(answer + "\n")
			require.NoError(t, err)
		}
	}
	err = run.Wait()
	var ended *exec.ExitError
	require.True(t, err == nil || errors.As(err, &ended) && ended.ExitCode() == exitWarning, "%v", err)
	require.Empty(t, forbidden([]string{"prepare"}, sent.String()))
	return sent.String()
}

// On a terminal the bell rings and the answer counts; whoever says nothing has not heard it.
func TestPrepareAsksForTheBell(t *testing.T) {
	for _, c := range []struct{ answer, want string }{
		{"y", ` - sound +the bell was heard`},
		{"n", `DO sound +the bell was not heard`},
		{"", ` \? sound +not tested: nobody said y or n`},
		{"perhaps", ` \? sound +not tested: nobody said y or n`},
	} {
		t.Run(c.answer, func(t *testing.T) {
			sent := preparedOn(t, c.answer)
			require.Contains(t, sent, "\aThe bell rang")
			require.Regexp(t, c.want, sent)
			require.Regexp(t, ` - screen +80 columns, 24 rows`, sent)
		})
	}
}
