package main_test

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The README's tutorial is run as it stands, with the program as it is built, and each output is
// compared with what the README shows. A block of the kind `console` holds commands behind '$ ' and
// under each what it prints, errors too; a line '...' stands for lines that were left out.

var updateDocs = flag.Bool("update-docs", false, "write the outputs in README.md and the map in DEVELOPERS.md anew")

// told is one command of the README and what it is said to print.
type told struct {
	command string
	output  []string
	from    int // line of the README on which the output begins, from 0
}

var fence = "```"

// tutorial returns the commands of all console blocks in the order of the README.
func tutorial(lines []string) []told {
	var all []told
	inside := false
	for i, line := range lines {
		command, isCommand := strings.CutPrefix(line, "$ ")
		switch {
		case strings.HasPrefix(line, fence):
			inside = line == fence+"console"
		case !inside:
		case isCommand:
			all = append(all, told{command: command, from: i + 1})
		case len(all) > 0:
			last := &all[len(all)-1]
			last.output = append(last.output, line)
		}
	}
	return all
}

// matches reports whether lines are what is told, where '...' stands for any lines.
func matches(told, lines []string) bool {
	switch {
	case len(told) == 0:
		return len(lines) == 0
	case told[0] == "...":
		for skip := range len(lines) + 1 {
			if matches(told[1:], lines[skip:]) {
				return true
			}
		}
		return false
	default:
		return len(lines) > 0 && lines[0] == told[0] && matches(told[1:], lines[1:])
	}
}

func TestLeftOutLines(t *testing.T) {
	for _, c := range []struct {
		name, told, lines string
		want              bool
	}{
		{"the same", "a b", "a b", true},
		{"another line", "a b", "a c", false},
		{"one more", "a", "a b", false},
		{"one less", "a b", "a", false},
		{"left out at the end", "a ...", "a b c", true},
		{"left out in the middle", "a ... c", "a b b c", true},
		{"left out, and the end differs", "a ... c", "a b b d", false},
		{"nothing left out", "a ... b", "a b", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.want, matches(strings.Fields(c.told), strings.Fields(c.lines)))
		})
	}
}

// needs returns the path of a program that a test can't do without. Without it the test is skipped,
// or fails where RIDEWITNESS_REQUIRE asks for all tests.
func needs(t *testing.T, program string) string {
	t.Helper()
	found, err := exec.LookPath(program)
	if err != nil && os.Getenv("RIDEWITNESS_REQUIRE") == "1" {
		require.NoError(t, err)
	}
	if err != nil {
		t.Skip(err)
	}
	return found
}

// runTutorial runs the commands in one shell, in a folder that looks like the project's root after
// `go build ./cmd/ridewitness`, and returns what each printed.
func runTutorial(t *testing.T, commands []told) [][]string {
	t.Helper()
	shell, goTool := needs(t, "sh"), needs(t, "go")
	folder := t.TempDir()
	build := exec.Command(goTool, "build", "-o", filepath.Join(folder, "ridewitness"), ".")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	data, err := filepath.Abs(filepath.Join(root, "testdata"))
	require.NoError(t, err)
	require.NoError(t, os.Symlink(data, filepath.Join(folder, "testdata")))

	const mark = "--- next command ---"
	// $? must be that of the command before, for `echo $?`.
	script := "next() { status=$?; echo '" + mark + "'; return $status; }\n"
	for _, c := range commands {
		script += "next\n" + c.command + "\n"
	}
	run := exec.Command(shell, "-c", script)
	run.Dir = folder
	run.Env = append(os.Environ(), "COLUMNS=80", "NO_COLOR=1", "TZ=UTC")
	out, err = run.CombinedOutput()
	require.NoError(t, err, "%s", out)
	parts := strings.Split(string(out), mark+"\n")
	require.Len(t, parts, len(commands)+1)
	var printed [][]string
	for _, p := range parts[1:] {
		p = strings.TrimSuffix(p, "\n")
		if p == "" {
			printed = append(printed, nil)
			continue
		}
		printed = append(printed, strings.Split(p, "\n"))
	}
	return printed
}

func TestReadmeTutorial(t *testing.T) {
	lines := strings.Split(read(t, "README.md"), "\n")
	commands := tutorial(lines)
	require.Greater(t, len(commands), 10)
	printed := runTutorial(t, commands)
	if *updateDocs {
		writeReadme(t, lines, commands, printed)
		return
	}
	for i, c := range commands {
		if !matches(c.output, printed[i]) {
			// Equal, and not True, so that the difference is shown.
			require.Equal(t, strings.Join(c.output, "\n"), strings.Join(printed[i], "\n"), "README.md:%d: $ %s\n-update-docs writes what is printed into the README: read the diff", c.from, c.command)
		}
	}
}

// writeReadme puts what was printed in place of what was told, from the last to the first, so that
// the line numbers stay right.
func writeReadme(t *testing.T, lines []string, commands []told, printed [][]string) {
	t.Helper()
	for i, c := range slices.Backward(commands) {
		rest := slices.Clone(lines[c.from+len(c.output):])
		lines = append(append(lines[:c.from:c.from], shortened(c.output, printed[i])...), rest...)
	}
	require.NoError(t, os.WriteFile(filepath.Join(root, "README.md"), []byte(strings.Join(lines, "\n")), 0o644))
}

// shortened returns the lines as the README shows them: where the text before left lines out, as many
// lines stay before and behind as there were.
func shortened(before, lines []string) []string {
	first := slices.Index(before, "...")
	if first < 0 || len(before)-1 >= len(lines) {
		return lines
	}
	behind := len(before) - 1 - first
	return slices.Concat(lines[:first], []string{"..."}, lines[len(lines)-behind:])
}

// TestReadmeKeepsItsWord: each command that the README names is in the help that it shows (and
// TestReadmeTutorial holds that against the program), and none of them is listed under 'Not yet'.
func TestReadmeKeepsItsWord(t *testing.T) {
	readme := read(t, "README.md")
	commands := tutorial(strings.Split(readme, "\n"))
	help := slices.IndexFunc(commands, func(c told) bool { return c.command == "./ridewitness help" })
	require.GreaterOrEqual(t, help, 0)
	there := map[string]bool{}
	for _, line := range commands[help].output {
		if name := regexp.MustCompile(`^  ([a-z]+) {2,}\S`).FindStringSubmatch(line); name != nil {
			there[name[1]] = true
		}
	}
	named := regexp.MustCompile("(?m)(?:`|^\\$ \\./|/cmd/)ridewitness ([a-z]+)")
	for _, m := range named.FindAllStringSubmatch(readme, -1) {
		require.True(t, there[m[1]], "README.md names %q, and there is no such command", m[1])
	}
	_, rest, found := strings.Cut(readme, "\n## Not yet\n")
	require.True(t, found)
	notYet, _, _ := strings.Cut(rest, "\n## ")
	for _, m := range regexp.MustCompile("`([a-z]+)`").FindAllStringSubmatch(notYet, -1) {
		require.False(t, there[m[1]], "%s is there, and README.md says 'not yet'", m[1])
	}
}

// TestLinksOfTheTexts: each link of a text to another file leads somewhere.
func TestLinksOfTheTexts(t *testing.T) {
	names, err := projectFiles()
	require.NoError(t, err)
	link := regexp.MustCompile(`\]\(([^)#:]+)(#[^)]*)?\)`)
	for _, name := range names {
		if filepath.Ext(name) != ".md" {
			continue
		}
		for _, m := range link.FindAllStringSubmatch(read(t, name), -1) {
			require.FileExists(t, filepath.Join(root, filepath.Dir(name), m[1]), "%s links to %s", name, m[1])
		}
	}
}
