package main

import (
	"bytes"
	"encoding/binary"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// few lets the properties of a test be tried so often, unless -rapid.checks says how often.
func few(t *testing.T, draws string) {
	t.Helper()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if asked {
		return
	}
	checks := flag.Lookup("rapid.checks")
	require.NotNil(t, checks)
	usual := checks.Value.String()
	require.NoError(t, checks.Value.Set(draws))
	t.Cleanup(func() { require.NoError(t, checks.Value.Set(usual)) })
}

// prefix is the beginning of a recording.
type prefix struct {
	file   string
	known  []string // flags for its definitions and job card
	inside bool     // it ends inside a block
}

// drawPrefix returns what draws a beginning of any of the foreign recordings: up to behind any of its blocks,
// or up to any byte.
func drawPrefix(t *testing.T) func(rt *rapid.T) prefix {
	t.Helper()
	truths, err := filepath.Glob("../../testdata/sessions/*.truth.json")
	require.NoError(t, err)
	require.Len(t, truths, 20)
	folder := t.TempDir()
	plain := map[string]prefix{}
	return func(rt *rapid.T) prefix {
		base := strings.TrimSuffix(rapid.SampledFrom(truths).Draw(rt, "recording"), ".truth.json")
		whole, unpacked := plain[base]
		if !unpacked {
			whole.file, whole.known = foreign(t, base)
			plain[base] = whole
		}
		content, err := os.ReadFile(whole.file)
		require.NoError(rt, err)
		ends := blockEnds(rt, content)
		cut := 0
		if rapid.Bool().Draw(rt, "behind a block") {
			cut = ends[place(rt, len(ends))]
		} else {
			cut = place(rt, len(content)+1)
		}
		p := prefix{file: filepath.Join(folder, "prefix.pcapng"), known: whole.known, inside: true}
		for _, end := range ends {
			p.inside = p.inside && end != cut
		}
		require.NoError(rt, os.WriteFile(p.file, content[:cut], 0o600))
		return p
	}
}

// place draws one of n places: near the beginning, near the end, or anywhere, since small numbers are drawn
// more often than large ones.
func place(rt *rapid.T, n int) int {
	from := rapid.SampledFrom([]string{"the beginning", "the end", "anywhere"}).Draw(rt, "from")
	at := rapid.IntRange(0, n-1).Draw(rt, "place")
	switch from {
	case "the end":
		return n - 1 - at
	case "anywhere":
		const spread = 2_654_435_761 // a prime near 2^32 times the golden ratio (Knuth, The Art of Computer Programming 3, 6.4)
		return int(uint64(at) * spread % uint64(n))
	default:
		return at
	}
}

// blockEnds returns where the blocks of a pcapng file end, by the draft's general block structure: a type, a
// total length, and that length again.
func blockEnds(t check, content []byte) []int {
	t.Helper()
	order := binary.ByteOrder(binary.LittleEndian)
	if bytes.Equal(content[8:12], []byte{0x1A, 0x2B, 0x3C, 0x4D}) { // the byte-order magic as it is written
		order = binary.BigEndian
	}
	var ends []int
	for at := 0; at < len(content); {
		length := int(order.Uint32(content[at+4:]))
		at += length
		require.Equal(t, length, int(order.Uint32(content[at-4:])))
		ends = append(ends, at)
	}
	return ends
}

// HAZARDS H16: of every beginning of a recording the live verdict and the later review agree, and so do the
// review of what was streamed in and that of what was recorded of it. One that ends inside a block is never
// reviewed as one in which nothing was found, nor is a recording that lost its end.
func TestHazard16PrefixesRecordedAgain(t *testing.T) {
	few(t, "40")
	draw := drawPrefix(t)
	folder := t.TempDir()
	rapid.Check(t, func(rt *rapid.T) {
		p := draw(rt)
		again := filepath.Join(folder, "again.pcapng")
		require.NoError(rt, os.RemoveAll(again))
		recordedAgain(rt, p, again)
		lostItsEnd(rt, again)
	})
}

func recordedAgain(t check, p prefix, again string) {
	t.Helper()
	_, errs, exit := does(t, append([]string{"record", "--from", p.file, "--output", again}, p.known...)...)
	if _, err := os.Stat(again); err != nil {
		require.NotZero(t, exit, "no head, no recording")
		_, _, exit = does(t, "review", p.file)
		require.Equal(t, exitUsage, exit)
		return
	}
	require.Equal(t, p.inside, exit != exitDone, errs)
	before := reviewed(t, append([]string{p.file}, p.known...)...)
	after := reviewed(t, again)
	was, is := before["session"].(map[string]any), after["session"].(map[string]any)
	if strings.HasPrefix(was["start"].(string), "1970-") { // of nothing no time is known
		delete(was, "start")
		delete(is, "start")
	}
	if p.inside {
		require.Nil(t, was["mended_from"])
		require.Equal(t, "cut-short", is["mended_from"], "the recording says so in its own words")
		is["mended_from"] = nil
	}
	require.Equal(t, before, after)
	warnedAsReviewed(t, again, before)
	requireInTime(t, again)
	if p.inside {
		require.NotEqual(t, "nothing-found", before["outcome"])
	}
}

// HAZARDS H16: a stretch of a recording is overwritten. Live and review agree on what is left of it, neither
// finds nothing, and no answer becomes 'held' by it.
func TestHazard16HolesRecordedAgain(t *testing.T) {
	few(t, "20")
	truths, err := filepath.Glob("../../testdata/sessions/*.truth.json")
	require.NoError(t, err)
	folder := t.TempDir()
	hole, again := filepath.Join(folder, "hole.pcapng"), filepath.Join(folder, "again.pcapng")
	rapid.Check(t, func(rt *rapid.T) {
		base := strings.TrimSuffix(rapid.SampledFrom(truths).Draw(rt, "recording"), ".truth.json")
		file, known := foreign(t, base)
		content, err := os.ReadFile(file)
		require.NoError(rt, err)
		ends := blockEnds(rt, content)
		at := ends[rapid.IntRange(len(ends)/20, len(ends)-9).Draw(rt, "behind block")] // what names the buses stays
		size := rapid.SampledFrom([]int{64, 4096, 1 << 18}).Draw(rt, "bytes")
		clear(content[at:min(at+size, ends[len(ends)-4])])
		require.NoError(rt, os.WriteFile(hole, content, 0o600))
		require.NoError(rt, os.RemoveAll(again))

		_, errs, exit := does(rt, append([]string{"record", "--from", hole, "--output", again}, known...)...)
		require.NotEqual(rt, exitDone, exit)
		require.Contains(rt, errs, "bytes are passed over")
		whole, left, is := reviewed(rt, append([]string{file}, known...)...), reviewed(rt, append([]string{hole}, known...)...), reviewed(rt, again)
		require.Equal(rt, "altered", is["session"].(map[string]any)["mended_from"])
		is["session"].(map[string]any)["mended_from"] = nil
		for _, r := range []map[string]any{left, is} { // that a file is altered is a warning by itself
			require.NotEqual(rt, "nothing-found", r["outcome"])
			delete(r, "outcome")
		}
		require.Equal(rt, left, is)
		warnedAsReviewed(rt, again, left)
		requireNoneHeldByIt(rt, whole, left)
	})
}

// requireNoneHeldByIt holds that nothing is held in what is left of a recording, at a time at which it was
// broken in the whole; but for advice, such as in how many steps a spring was bled: a body that sinks in the
// hole no longer hides one of them.
func requireNoneHeldByIt(t check, whole, left map[string]any) {
	t.Helper()
	for _, held := range outcomes(left, "held") {
		for _, broken := range outcomes(whole, "broken") {
			same := held["severity"] != "advice" && held["rule"] == broken["rule"] && held["corner"] == broken["corner"] && held["axle"] == broken["axle"]
			if same && held["start"].(string) <= broken["end"].(string) && broken["start"].(string) <= held["end"].(string) {
				require.Fail(t, "held", "%v, which says in the whole: %v", held["summary"], broken["summary"])
			}
		}
	}
}

// outcomes returns the findings of a review with that outcome.
func outcomes(r map[string]any, outcome string) (all []map[string]any) {
	for _, f := range r["findings"].([]any) {
		if finding := f.(map[string]any); finding["outcome"] == outcome {
			all = append(all, finding)
		}
	}
	return all
}

// lostItsEnd cuts a recording at any byte.
func lostItsEnd(rt *rapid.T, path string) {
	rt.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		return // there is none
	}
	require.NoError(rt, os.WriteFile(path, content[:place(rt, len(content))], 0o600))
	out, _, exit := does(rt, "review", "--format", "json", path)
	require.NotZero(rt, exit)
	require.NotRegexp(rt, `"outcome": *"nothing-found"`, out)
}
