package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/safety"
)

// The program as its users meet it: each file in testdata/script is a short session at a terminal,
// run with the program's own main in processes of its own. What a script can't say with the commands
// of testscript, the commands below say.

func TestMain(m *testing.M) {
	if run := programs[filepath.Base(os.Args[0])]; run != nil {
		os.Exit(run(os.Args[1:]))
	}
	testscript.Main(cleared{m}, map[string]func(){"ridewitness": main})
}

// cleared runs the tests and takes away what they shared.
type cleared struct{ *testing.M }

func (c cleared) Run() int {
	defer func() {
		if shared.folder != "" {
			os.RemoveAll(shared.folder)
		}
	}()
	return c.M.Run()
}

// shared are the sessions that scripts start from: made once, never changed.
var shared struct {
	sync.Once
	folder string
}

func TestScripts(t *testing.T) {
	testscript.Run(t, scripts(t, "testdata/script"))
}

// TestHazard12OriginInEveryOutput: whatever tells of a session says in words where its frames came
// from, so that no simulation and no file of unknown origin passes for a vehicle.
func TestHazard12OriginInEveryOutput(t *testing.T) {
	testscript.Run(t, scripts(t, "testdata/origin"))
}

// scripts returns how the scripts of a folder are run. $SESSIONS holds sessions that no script may
// change: simulated ones, and those with a number behind their name, which an independent simulator
// made.
func scripts(t *testing.T, folder string) testscript.Params {
	share(t)
	return testscript.Params{
		Dir:                 folder,
		RequireUniqueNames:  true,
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("SESSIONS", shared.folder)
			e.Setenv("COLUMNS", "80")
			return nil
		},
		Condition: func(name string) (bool, error) {
			if name == "root" {
				return os.Geteuid() == 0, nil
			}
			return false, fmt.Errorf("%q is not a condition", name)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits":     exits,
			"flip":      flip,
			"cut":       cut,
			"bytes":     writeBytes,
			"json":      checkJSON,
			"leftovers": leftovers,
		},
	}
}

// share makes the shared sessions, once.
func share(t *testing.T) {
	t.Helper()
	shared.Do(func() {
		var err error
		shared.folder, err = os.MkdirTemp("", "ridewitness-scripts-")
		require.NoError(t, err)
		for _, scenario := range []string{"proper", "early", "short", "cooling", "testdata/tiny.yaml"} {
			simulated(t, shared.folder, scenario)
		}
		relabelled(t, shared.folder)
		for _, name := range []string{"early-car-101", "fd-and-errors-101"} {
			unpacked(t, shared.folder, name)
		}
	})
}

// simulated writes a scenario as folder/NAME.pcapng.
func simulated(t *testing.T, folder, scenario string) {
	t.Helper()
	name := strings.TrimSuffix(filepath.Base(scenario), ".yaml")
	var out bytes.Buffer
	a := &App{In: strings.NewReader(""), Out: &out, Err: &out}
	status := a.main(context.Background(), []string{"simulate", scenario, "--output", filepath.Join(folder, name+".pcapng")})
	require.Equal(t, exitDone, status, "simulate %s: %s", scenario, &out)
}

// relabelled writes tiny.pcapng once more as other.pcapng, with another vehicle on its card.
func relabelled(t *testing.T, folder string) {
	t.Helper()
	tiny, err := session.Open(filepath.Join(folder, "tiny.pcapng"))
	require.NoError(t, err)
	defer tiny.Close()
	out, err := os.Create(filepath.Join(folder, "other.pcapng"))
	require.NoError(t, err)
	batch := capture.NewBatch()
	var w *session.Writer
	var last capture.Stamp
	for err = tiny.Next(t.Context(), batch); err == nil; err = tiny.Next(t.Context(), batch) {
		for i := 0; w == nil && i < len(batch.Events); i++ {
			if record := session.ReadSession(&batch.Events[i]); record != nil {
				card := session.NewText("other.yaml", []byte(strings.ReplaceAll(record.Card.Text, "demo wagon 7", "demo wagon 8")))
				record.Card = &card
				w, err = session.NewWriter(out, batch.Events[i].At, *record)
				require.NoError(t, err)
			}
		}
		batch.Events = slices.DeleteFunc(batch.Events, func(e capture.Event) bool { return e.Kind == capture.EventJournal })
		require.NoError(t, w.Write(batch))
		if n := len(batch.Frames); n > 0 {
			last = batch.Frames[n-1].At
		}
	}
	require.ErrorIs(t, err, io.EOF)
	require.NoError(t, w.Close(last))
}

// unpacked copies a session of testdata/sessions with what belongs to it.
func unpacked(t *testing.T, folder, name string) {
	t.Helper()
	from := filepath.Join("..", "..", "testdata", "sessions", name)
	packed, err := os.Open(from + ".pcapng.gz")
	require.NoError(t, err)
	defer packed.Close()
	r, err := gzip.NewReader(packed)
	require.NoError(t, err)
	data, err := io.ReadAll(r)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, name+".pcapng"), data, 0o444))
	for _, ending := range []string{".signals.yaml", ".jobcard.yaml"} {
		text, err := os.ReadFile(from + ending)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(folder, name+ending), text, 0o444))
	}
}

// exits runs a command and compares how it ended: 'exits 4 ridewitness review x.pcapng'. Whatever the
// program says besides is held against what it must never say.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("use: exits STATUS COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	var ended *exec.ExitError
	got := 0
	switch {
	case errors.As(err, &ended):
		got = ended.ExitCode()
	default:
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("it ended with %d, expected %d", got, want)
	}
	out, errs := ts.ReadFile("stdout"), ts.ReadFile("stderr")
	if want == exitUsage && (strings.TrimSpace(errs) == "" || out != "") {
		ts.Fatalf("what can't be used is told on standard error, and nothing else is told")
	}
	for _, why := range forbidden(args[2:], out+errs) {
		ts.Fatalf("%s", why)
	}
}

// Words that would read as leave to go on, and traces of a crash.
var (
	leave = regexp.MustCompile(`(?i)\b(safe|ok|ready|all clear|green)\b`)
	crash = regexp.MustCompile(`(?m)^(panic:|goroutine \d+ |runtime error)`)
	tag   = regexp.MustCompile(`(?s)<(?:style|script)\b.*?</(?:style|script)>|<[^>]*>`)
	held  = regexp.MustCompile(`(?i)\bheld\b`)
)

// ruleName matches the name of any rule.
var ruleName = sync.OnceValue(func() *regexp.Regexp {
	var names []string
	for _, r := range safety.Rules {
		names = append(names, regexp.QuoteMeta(r.Name))
	}
	return regexp.MustCompile(`\b(` + strings.Join(names, "|") + `)\b`)
})

// forbidden returns what an output says and must not.
func forbidden(command []string, output string) []string {
	var why []string
	if crash.MatchString(output) {
		why = append(why, "it crashed")
	}
	// The forms of other shells in a completion script are not ours, and help may say what is never said.
	if len(command) > 0 && (command[0] == "help" || command[0] == "completion") {
		return why
	}
	if found := leave.FindString(output); found != "" {
		why = append(why, fmt.Sprintf("it says %q", found))
	}
	return append(why, heldRules(output)...)
}

// heldRules returns the lines that name a rule beside 'held': a reader who sees 'lowered without
// pressure' there reads that it happened. JSON is for scripts and may.
func heldRules(output string) []string {
	if strings.HasPrefix(output, "{") {
		return nil
	}
	var why []string
	before := ""
	for line := range strings.SplitSeq(tag.ReplaceAllString(output, "\n"), "\n") {
		if strings.TrimSpace(line) == "" {
			continue
		}
		if both := before + " " + line; held.MatchString(both) && ruleName().MatchString(both) {
			why = append(why, fmt.Sprintf("it names %s beside 'held': %s", ruleName().FindString(both), both))
		}
		before = line
	}
	return why
}

func TestForbidden(t *testing.T) {
	for _, c := range []struct {
		name, command, output string
		want                  int
	}{
		{"nothing", "review", "12 held.\n", 0},
		{"leave", "review", "all is OK\n", 1},
		{"leave in capitals", "look", "READY\n", 1},
		{"part of a word", "look", "unsafe, greenhouse, already\n", 0},
		{"help may say it", "help", "never says safe\n", 0},
		{"crash", "help", "panic: index out of range\n", 1},
		{"a rule held", "review", "held over-pressure\n", 1},
		{"a rule on the next line", "review", "held\nover-pressure\n", 1},
		{"a rule in the next cell", "review", "<td>held</td>\n<td>over-pressure</td>", 1},
		{"another rule", "review", "held\nfront-left\nover-pressure\n", 0},
		{"data", "review", `{"rule":"over-pressure","outcome":"held"}`, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Len(t, forbidden([]string{c.command}, c.output), c.want)
		})
	}
}

// flip changes one bit of a file: 'flip x.pcapng 1000'; an offset below 0 counts from the end.
func flip(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("use: flip FILE OFFSET")
	}
	data := []byte(ts.ReadFile(args[0]))
	at, err := strconv.Atoi(args[1])
	ts.Check(err)
	if at < 0 {
		at += len(data)
	}
	data[at] ^= 1
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o644))
}

// cut keeps the first bytes of a file: 'cut x.pcapng 1000'; below 0 it takes as many away.
func cut(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("use: cut FILE LENGTH")
	}
	data := []byte(ts.ReadFile(args[0]))
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	if n < 0 {
		n += len(data)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data[:n], 0o644))
}

// writeBytes makes a file of bytes in hex: 'bytes x.pcapng 0a0d0d0a 1c000000'.
func writeBytes(ts *testscript.TestScript, _ bool, args []string) {
	data, err := hex.DecodeString(strings.Join(args[1:], ""))
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o644))
}

// checkJSON demands that a file is one JSON value, and compares fields of it: 'json stdout
// outcome=warning session.frames=12'. Numbers between the dots are places in a list.
func checkJSON(ts *testscript.TestScript, neg bool, args []string) {
	var whole any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &whole))
	for _, want := range args[1:] {
		path, value, _ := strings.Cut(want, "=")
		got := fmt.Sprint(field(whole, strings.Split(path, ".")))
		if (got == value) == neg {
			ts.Fatalf("%s is %s", path, got)
		}
	}
}

// field goes down into a JSON value; what is not there is <nil>, as null is.
func field(v any, path []string) any {
	for _, name := range path {
		switch at := v.(type) {
		case map[string]any:
			v = at[name]
		case []any:
			n, err := strconv.Atoi(name)
			if err != nil || n >= len(at) {
				return nil
			}
			v = at[n]
		default:
			return nil
		}
	}
	return v
}

// leftovers demands that the folder holds no file but those that are named: nothing half-written
// stays behind.
func leftovers(ts *testscript.TestScript, neg bool, args []string) {
	entries, err := os.ReadDir(ts.MkAbs("."))
	ts.Check(err)
	there := map[string]bool{}
	for _, e := range entries {
		there[e.Name()] = true
	}
	delete(there, ".tmp") // testscript's own
	for _, name := range args {
		if !there[name] {
			ts.Fatalf("%s is not there", name)
		}
		delete(there, name)
	}
	if len(there) > 0 {
		ts.Fatalf("left over: %s", strings.Join(slices.Sorted(maps.Keys(there)), " "))
	}
}

// TestBinary builds the real program and runs it: what a test binary with its own main can't show is
// that the build works and the exit status gets out.
func TestBinary(t *testing.T) {
	goTool, err := exec.LookPath("go")
	if err != nil && os.Getenv("RIDEWITNESS_REQUIRE") != "1" {
		t.Skip(err)
	}
	require.NoError(t, err)
	program := filepath.Join(t.TempDir(), "ridewitness")
	if runtime.GOOS == "windows" {
		program += ".exe"
	}
	build := exec.Command(goTool, "build", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{nil, exitDone, "ridewitness demo"},
		{[]string{"help", "exit"}, exitDone, "cut short"},
		{[]string{"nonsense"}, exitUsage, "is not a command"},
	} {
		run := exec.Command(program, c.args...)
		out, _ := run.CombinedOutput() // the status says more than its error
		require.Equal(t, c.status, run.ProcessState.ExitCode(), "%q", c.args)
		require.Contains(t, string(out), c.says)
	}
}
