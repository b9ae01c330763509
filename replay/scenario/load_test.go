package scenario

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/document"
)

const shortest = "  - wait: 1 s\n"

// refused are texts that are no scenario, and what the error must say.
var refused = []struct{ name, text, want string }{
	{"nothing", "", "t.yaml:1:1"},
	{"no version", "title: a\nstart: 2026-03-02T09:14:05Z\nsteps:\n" + shortest, "t.yaml:1:1: version: is missing"},
	{"other version", "version: 2\nstart: 2026-03-02T09:14:05Z\nsteps:\n" + shortest, "t.yaml:1:10: version: 2 is out of range"},
	{"no start", "version: 1\nsteps:\n" + shortest, "t.yaml:1:1: start: is missing"},
	{"no steps", head, "t.yaml:1:1: steps: is missing"},
	{"empty steps", head + "steps: []\n", "t.yaml:4:8: steps: the list is too short or too long"},
	{"unknown key", head + "speed: 3\nsteps:\n" + shortest, "t.yaml:4:1: speed: is no key that is known here"},
	{"unknown step", head + "steps:\n  - lifft: {to: 1 mm}\n", "t.yaml:5:5: lifft: is no key that is known here, expected lift"},
	{"two steps in one", head + "steps:\n  - {wait: 1 s, moment: a}\n", "t.yaml:5:5: steps: an item has several steps or none"},
	{"no unit", head + "steps:\n  - wait: 30\n", "t.yaml:5:11: wait: 30"},
	{"wrong dimension", head + "steps:\n  - wait: 30 mm\n", "t.yaml:5:11: wait: 30 mm"},
	{"endless wait", head + "steps:\n  - wait: 49 h\n", "t.yaml:5:11: wait: 49 h is out of range, expected 0 s to 48 h"},
	{"negative wait", head + "steps:\n  - wait: -1 s\n", "t.yaml:5:11: wait: -1 s is out of range"},
	{"lift too fast", head + "steps:\n  - lift: {to: 0 mm, speed: 900 mm/s}\n", "t.yaml:5:29: lift.speed: 900 mm/s is out of range, expected 1 to 200 mm/s"},
	{"lift without height", head + "steps:\n  - lift: {speed: 9 mm/s}\n", "t.yaml:5:11: lift.to: is missing"},
	{"corner", head + "steps:\n  - bleed: {corner: rear-middle, to: 1 bar}\n", "t.yaml:5:21: bleed.corner: "},
	{"bleed with the ignition off", head + "steps:\n  - ignition: off\n  - bleed: {corner: rear-left, to: 1 bar}\n", "t.yaml:6:5: steps: the ignition is off"},
	{"no corners", head + "steps:\n  - renew: {corners: []}\n", "t.yaml:5:22: renew.corners: is empty"},
	{"traffic", head + "traffic: {identifiers: 9000, per_second: 10}\nsteps:\n" + shortest, "t.yaml:4:24: traffic.identifiers: 9000 is out of range"},
	{"base", "version: 1\nlike: nobody\n", "t.yaml:2:7: like: "},
	{"too hot", head + "temperature: 90 degC\nsteps:\n" + shortest, "t.yaml:4:14: temperature: 90 degC is out of range, expected -40 to 50 degC"},
	{"unknown fault", head + "steps:\n" + shortest + "faults:\n  - {kind: gremlins}\n", "t.yaml:7:12: kind: "},
	{"fault without its size", head + "steps:\n" + shortest + "faults:\n  - {kind: leak, corner: rear-left}\n", "t.yaml:7:5: size: is missing, expected the kind leak takes it"},
	{"fault with a foreign key", head + "steps:\n" + shortest + "faults:\n  - {kind: gap, corner: rear-left}\n", "t.yaml:7:17: corner: is no key that is known here"},
	{"fault of the wrong dimension", head + "steps:\n" + shortest + "faults:\n  - {kind: leak, corner: rear-left, size: 3 bar}\n", "t.yaml:7:43: size: 3 bar"},
	{"unknown moment", head + "steps:\n" + shortest + "faults:\n  - {kind: gap, from: {moment: lunch}}\n", "t.yaml:7:32: from.moment: no moment has a name in this job"},
	{"moment without a name", head + "steps:\n" + shortest + "faults:\n  - {kind: gap, from: {}}\n", "t.yaml:7:23: from.after: is missing"},
	{"a corner with itself", head + "steps:\n" + shortest + "faults:\n  - {kind: swapped-corners, corner: rear-left, with: rear-left, quantity: height}\n", "t.yaml:7:54: with: is the corner itself"},
	{"unknown bus", head + "steps:\n" + shortest + "faults:\n  - {kind: lost-frames, size: 5 %, bus: can7}\n", "t.yaml:7:41: bus: "},
	{"waking too often", head + "steps:\n  - night: {takes: 1 h, wakes_every: 0.1 s}\n", "t.yaml:5:38: night.wakes_every: 0.1 s is too short"},
}

func TestLoadRefuses(t *testing.T) {
	for _, c := range refused {
		t.Run(c.name, func(t *testing.T) {
			_, err := Load("t.yaml", c.text)
			require.ErrorContains(t, err, c.want)
			var place *document.Error
			require.ErrorAs(t, err, &place)
		})
	}
}

func TestBuiltinsLoad(t *testing.T) {
	require.Contains(t, Names(), "proper")
	require.Contains(t, Names(), "early")
	for _, name := range Names() {
		s, err := Builtin(name)
		require.NoError(t, err, name)
		require.Equal(t, name, s.Name)
		require.NotEmpty(t, s.Title)
		require.NotZero(t, s.Start())
		require.Contains(t, s.Card(), "demo wagon 7")
		require.Contains(t, s.Definitions(), "rear_left_height")
	}
	_, err := Builtin("nothing")
	require.ErrorContains(t, err, `no scenario is called "nothing", expected one of absolute`)
}

func TestFaultsInWords(t *testing.T) {
	for name, want := range map[string][]string{
		"proper": {},
		"lost": {
			"rear-right is filled to 0.4 bar only, and comes down too early",
			"33 % of the frames are lost from lowering until 00:00:10 after lowering",
		},
		"overnight-leak": {"rear-left leaks 1.2 ml/min"},
		"linkage":        {"the height sensor of rear-right reads -12 mm from 06:00:00 after evening"},
	} {
		s, err := Builtin(name)
		require.NoError(t, err)
		require.Equal(t, want, s.Faults(), name)
	}
}

// A scenario built on another must leave the other as it was.
func TestLikeCopies(t *testing.T) {
	_, err := Load("mine.yaml", "version: 1\nlike: early\nfaults:\n  - {kind: gap}\n")
	require.NoError(t, err)
	s, err := Builtin("early")
	require.NoError(t, err)
	require.Len(t, s.Faults(), 1)
}

func TestDefinitionsWithoutPressures(t *testing.T) {
	s, err := Builtin("no-pressure")
	require.NoError(t, err)
	require.NotContains(t, s.Definitions(), "quantity: pressure")
	require.NotContains(t, s.Definitions(), "0x2C6")
	r := open(t, "no-pressure", 1)
	play(t, r, func(b *capture.Batch) {
		for i := range b.Frames {
			if b.Frames[i].ID == 0x2C6 {
				t.Fatal("air frame on a network without pressures")
			}
		}
	})
}

// examples are the scenarios in the repository that are written as users write theirs.
const examples = "../../testdata/scenarios"

func TestExamplesRun(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(examples, "*.yaml"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		s, err := Load(filepath.Base(file), string(text))
		require.NoError(t, err)
		r, err := s.Open(1)
		require.NoError(t, err)
		frames := 0
		play(t, r, func(b *capture.Batch) { frames += len(b.Frames) })
		require.Greater(t, frames, 1000, file)
	}
}

// Whatever the text: an error with a place, or a scenario that runs.
func FuzzLoad(f *testing.F) {
	for _, name := range Names() {
		text, err := Text(name)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Add(work)
	f.Add("version: 1\nlike: like\n")
	f.Add(head + "steps:\n  - {wait: 1 s, moment: a}\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Load("fuzz.yaml", text)
		if err != nil {
			require.Regexp(t, `^fuzz\.yaml:\d+:\d+`, err.Error())
			return
		}
		require.Equal(t, len(s.faults), len(s.Faults()))
		r, err := s.Open(1)
		require.NoError(t, err)
		b := capture.NewBatch()
		// A day of silence takes its time; nobody waits for it here.
		ctx := &impatient{Context: context.Background()}
		for range 3 {
			ctx.asked = 0
			err := r.Next(ctx, b)
			if errors.Is(err, io.EOF) || errors.Is(err, context.Canceled) {
				return
			}
			require.NoError(t, err)
			require.LessOrEqual(t, len(b.Frames), capture.BatchFrames)
		}
	})
}
