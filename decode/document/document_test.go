package document_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

func parse(t *testing.T, text string) *document.Document {
	t.Helper()
	d, err := document.Parse("a.yaml", []byte(text))
	require.NoError(t, err)
	return d
}

// value returns the value of the key v of a document.
func value(t *testing.T, text string) (document.Node, *document.Document) {
	t.Helper()
	d := parse(t, text)
	m, ok := d.Root().Map("v")
	require.True(t, ok)
	return m.Get("v"), d
}

func TestTextsThatAreNoDocument(t *testing.T) {
	deep := strings.Repeat("[", document.MaxDepth+2) + strings.Repeat("]", document.MaxDepth+2)
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "a.yaml:1:1: the document is empty, expected version: 1"},
		{"a comment alone", "# nothing\n", "a.yaml:1:1: the document is empty, expected version: 1"},
		{"a tab first", "v:\n\tw: 1\n", "a.yaml:2:1: a tab stands before the text of the line, expected spaces (YAML allows no tabs there)"},
		{"a tab behind a dash", "v:\n  -\tw: 1\n", "a.yaml:2:4: a tab stands before the text of the line, expected spaces (YAML allows no tabs there)"},
		{"no UTF-8", "v: caf\xE9\n", "a.yaml:1:7: byte 0xE9 is no UTF-8, expected text in UTF-8"},
		{"a column counted in characters", "v: {ä: é, x: *y}\n", "a.yaml:1:14: *y is an alias, expected the value itself, written again"},
		{"too long", strings.Repeat("#", document.MaxText+1), "a.yaml:1:1: the text is too long, expected at most 1048576 bytes"},
		{"too deep", deep, "a.yaml:1:18: lies too deep, expected at most 16 levels"},
		{"an alias", "v: &x 1\nw: *x\n", "a.yaml:1:4: v: &x is an anchor, expected the value without it\na.yaml:2:4: w: *x is an alias, expected the value itself, written again"},
		{"a tag", "v: !!str 1\n", "a.yaml:1:4: v: !!str is a tag, expected the value without it"},
		{"a tag of somebody", "v: !unit 1\n", "a.yaml:1:4: v: !unit is a tag, expected the value without it"},
		{"a merged map", "v:\n  <<: {a: 1}\n", "a.yaml:2:3: v: << merges another map into this one, expected each key written out"},
		{"a key twice", "v: 1\nw: 2\nv: 3\n", "a.yaml:3:1: v: is given twice, first in line 1, expected each key once"},
		{"a key that is a list", "? [a]\n: 1\n", "a.yaml:1:3: the key is a list, expected a word"},
		{"two documents", "v: 1\n---\nv: 2\n", "a.yaml:2:1: a second document starts here, expected one document a file"},
		{"an open bracket", "v: 1\nw: [1, 2\nx: 3\n", "a.yaml:2:1: did not find expected ',' or ']', expected a closing ]"},
		{"an open quote", "v: 1\nw: \"a\nx: 3\n", "a.yaml:2:1: found unexpected end of stream, expected a closing quote"},
		{"two colons", "v: 1\nw: a: b\n", "a.yaml:2:1: mapping values are not allowed in this context, expected one 'key: value' a line, or quotes around a text with a colon in it"},
		{"a word first of percent", "v: 1\nw: %a\n", "a.yaml:2:1: found character that cannot start any token, expected quotes around a text that starts with this character"},
		{"a slipped key", "v:\n  a: 1\n  b: 2\n  c: 3\n d: 4\n", "a.yaml:5:2: did not find expected key, expected keys of one map in the same column"},
		{"a slipped item", "v:\n  - a: 1\n    b: 1\n   c: 2\n", "a.yaml:4:4: did not find expected '-' indicator, expected items of one list, and the keys of one item, in the same column"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := document.Parse("a.yaml", []byte(c.text))
			require.EqualError(t, err, c.want)
			var e *document.Error
			require.ErrorAs(t, err, &e)
		})
	}
}

func TestByteOrderMarkIsNoMistake(t *testing.T) {
	n, d := value(t, "\uFEFFv: 1\n")
	v, ok := n.Uint(0, 9)
	require.True(t, ok)
	require.Equal(t, uint64(1), v)
	require.NoError(t, d.Err())
}

// Words that YAML 1.1 took for truth values, numbers or times are text (YAML 1.2, core schema).
func TestWordsOfYAML12(t *testing.T) {
	for _, word := range []string{"off", "on", "yes", "no", "Off", "NO", "y", "n", "0o17", "1:30", "2026-03-02", "0b11", "1_000"} {
		n, d := value(t, "v: "+word+"\n")
		text, ok := n.Text()
		require.True(t, ok, word)
		require.Equal(t, word, text)
		require.NoError(t, d.Err())
		n.Bool()
		n.Uint(0, math.MaxUint64)
		n.Number()
		require.EqualError(t, d.Err(), fmt.Sprintf("a.yaml:1:4: v: found %q, expected true or false\n", word)+
			fmt.Sprintf("a.yaml:1:4: v: found %q, expected a whole number such as 26 or 0x1A\n", word)+
			fmt.Sprintf("a.yaml:1:4: v: found %q, expected a number such as 0.01", word), "no truth value and no number")
	}
}

func TestUint(t *testing.T) {
	for text, want := range map[string]uint64{
		"0": 0, "26": 26, "0x1A": 26, "0x1a": 26, "0x001A": 26, "18446744073709551615": math.MaxUint64, "0xFFFFFFFFFFFFFFFF": math.MaxUint64,
	} {
		n, d := value(t, "v: "+text+"\n")
		v, ok := n.Uint(0, math.MaxUint64)
		require.True(t, ok, text)
		require.Equal(t, want, v)
		require.NoError(t, d.Err())
	}
	for text, want := range map[string]string{
		"8":                    "8 is out of range, expected a whole number from 1 to 7",
		"0":                    "0 is out of range, expected a whole number from 1 to 7",
		"18446744073709551616": "18446744073709551616 is out of range, expected a whole number from 1 to 7",
		"-1":                   `found "-1", expected a whole number from 1 to 7`,
		"+1":                   `found "+1", expected a whole number from 1 to 7`,
		"07":                   `found "07", expected a whole number from 1 to 7`,
		"1.0":                  `found "1.0", expected a whole number from 1 to 7`,
		"0x":                   `found "0x", expected a whole number from 1 to 7`,
		"'1'":                  `found the text "1", expected a whole number from 1 to 7`,
		"[1]":                  "found a list, expected a whole number from 1 to 7",
		"{a: 1}":               "found a map, expected a whole number from 1 to 7",
		"":                     "found nothing, expected a whole number from 1 to 7",
		"~":                    "found nothing, expected a whole number from 1 to 7",
	} {
		n, d := value(t, "v: "+text+"\n")
		_, ok := n.Uint(1, 7)
		require.False(t, ok, text)
		require.ErrorContains(t, d.Err(), "v: "+want)
	}
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{"0.01": 0.01, "-204.8": -204.8, "1e-3": 0.001, ".5": 0.5, "5.": 5, "+2": 2, "12": 12} {
		n, _ := value(t, "v: "+text+"\n")
		v, ok := n.Number()
		require.True(t, ok, text)
		require.Equal(t, want, v)
	}
	for _, text := range []string{".inf", "-.inf", ".nan", "1e999", "0x10", "0,01", "'1'", "1/256", "[1]", "null"} {
		n, d := value(t, "v: "+text+"\n")
		_, ok := n.Number()
		require.False(t, ok, text)
		require.Error(t, d.Err())
	}
}

func TestBool(t *testing.T) {
	for text, want := range map[string]bool{"true": true, "false": false} {
		n, d := value(t, "v: "+text+"\n")
		v, ok := n.Bool()
		require.True(t, ok)
		require.Equal(t, want, v)
		require.NoError(t, d.Err())
	}
	for _, text := range []string{"True", "yes", "1", "'true'", ""} {
		n, _ := value(t, "v: "+text+"\n")
		_, ok := n.Bool()
		require.False(t, ok, text)
	}
}

func TestText(t *testing.T) {
	for text, want := range map[string]string{"demo wagon 7": "demo wagon 7", "'7'": "7", "7": "7", "\"ä b\"": "ä b"} {
		n, _ := value(t, "v: "+text+"\n")
		got, ok := n.Text()
		require.True(t, ok)
		require.Equal(t, want, got)
	}
	for text, want := range map[string]string{
		"''": "found nothing, expected a text", "": "found nothing, expected a text", "null": "found nothing, expected a text",
		"[a]": "found a list, expected a text", `"a\nb"`: "the text has a line break or another control character in it, expected one line of text",
		strings.Repeat("a", 501): "the text has 501 bytes, expected at most 500",
	} {
		n, d := value(t, "v: "+text+"\n")
		_, ok := n.Text()
		require.False(t, ok)
		require.ErrorContains(t, d.Err(), ": v: "+want)
	}
}

func TestWordSuggestsWhatWasMeant(t *testing.T) {
	for text, want := range map[string]string{
		"rear-lft": `found "rear-lft", expected rear-left`, "Rear_Left": `found "Rear_Left", expected rear-left`,
		"third-left": `found "third-left", expected front-left or rear-left`, "x": `found "x", expected front-left or rear-left`,
	} {
		n, d := value(t, "v: "+text+"\n")
		_, ok := n.Word("front-left", "rear-left")
		require.False(t, ok)
		require.EqualError(t, d.Err(), "a.yaml:1:4: v: "+want)
	}
}

func TestQuantityAndTime(t *testing.T) {
	n, _ := value(t, "v: 98 cm2\n")
	v, ok := n.Quantity(quantity.SquareMetre)
	require.True(t, ok)
	require.InEpsilon(t, 0.0098, v, 1e-12)

	n, d := value(t, "v: 98 cm\n")
	_, ok = n.Quantity(quantity.SquareMetre)
	require.False(t, ok)
	require.EqualError(t, d.Err(), "a.yaml:1:4: v: 98 cm is a length, expected an area, such as 98 cm2")

	n, d = value(t, "v: 2026-03-02 09:14:05\n")
	_, ok = n.Time()
	require.False(t, ok)
	require.EqualError(t, d.Err(), "a.yaml:1:4: v: 2026-03-02 09:14:05 is no time with an offset from UTC (RFC 3339), expected a time such as 2026-03-02T09:14:05Z")
}

// What is absent is no mistake and has no value.
func TestAbsentNode(t *testing.T) {
	d := parse(t, "v: 1\n")
	m, ok := d.Root().Map("v", "w")
	require.True(t, ok)
	n := m.Get("w")
	require.False(t, n.Exists())
	_, text := n.Text()
	_, word := n.Word("a")
	_, whole := n.Uint(0, 1)
	_, number := n.Number()
	_, truth := n.Bool()
	_, size := n.Quantity(quantity.Bar)
	_, at := n.Time()
	_, list := n.List("a list")
	_, pairs := n.Pairs("a map")
	_, keys := n.Map("a")
	require.False(t, text || word || whole || number || truth || size || at || list || pairs || keys)
	require.False(t, n.IsMap() || n.IsList() || n.Is("") || n.Line() != 0)
	require.Empty(t, n.Place()+n.Shown())
	n.Refuse("nobody", "nothing")
	require.False(t, document.Map{}.Need("a", "b").Exists())
	require.NoError(t, d.Err())
}

func TestMapTellsUnknownAndMissingKeys(t *testing.T) {
	d := parse(t, "order: 1\nscael: 2\nbogus: 3\n")
	m, ok := d.Root().Map("order", "scale", "mask")
	require.True(t, ok)
	m.Need("scale", "a number")
	m.Need("mask", "the bits")
	require.EqualError(t, d.Err(), "a.yaml:1:1: mask: is missing, expected the bits\n"+
		"a.yaml:2:1: scael: is no key that is known here, expected scale\n"+
		"a.yaml:3:1: bogus: is no key that is known here, expected order, scale or mask")
}

func TestKeysAreNamedFromTheNearestListItem(t *testing.T) {
	d := parse(t, "signals:\n  - when: {bytes: x}\n  - 7\n")
	m, _ := d.Root().Map("signals")
	items, ok := m.Get("signals").List("a list")
	require.True(t, ok)
	first, _ := items[0].Map("when")
	when, _ := first.Get("when").Map("bytes")
	when.Get("bytes").Refuse("is x", "y")
	_, ok = items[1].Map("when")
	require.False(t, ok)
	require.Equal(t, "a.yaml:2:5", first.Place())
	require.EqualError(t, d.Err(), "a.yaml:2:19: when.bytes: is x, expected y\na.yaml:3:5: signals: found \"7\", expected a map with the keys when")
}

func TestMistakesAreBoundedAndInOrder(t *testing.T) {
	const rows = document.MaxErrors + 15
	d := parse(t, "v:\n"+strings.Repeat("  - x\n", rows))
	m, _ := d.Root().Map("v")
	items, _ := m.Get("v").List("a list")
	for i := range items {
		items[len(items)-1-i].Number()
	}
	err := d.Err()
	lines := strings.Split(err.Error(), "\n")
	require.Len(t, lines, document.MaxErrors+1)
	require.Equal(t, "a.yaml: and 15 more mistakes", lines[document.MaxErrors])
	require.True(t, strings.HasPrefix(lines[0], "a.yaml:17:5: v: "), "sorted by place: %s", lines[0])
	var e *document.Error
	require.True(t, errors.As(err, &e))
	require.Equal(t, document.Error{File: "a.yaml", Line: 17, Column: 5, Key: "v", Problem: `found "x"`, Want: "a number such as 0.01"}, *e)
}

func TestReadFileStopsBehindTheLimit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "long.yaml")
	require.NoError(t, os.WriteFile(path, make([]byte, 2*document.MaxText), 0o600))
	text, err := document.ReadFile(path)
	require.NoError(t, err)
	require.Len(t, text, document.MaxText+1)
	_, err = document.Parse(path, text)
	require.ErrorContains(t, err, "the text is too long")
	_, err = document.ReadFile(t.TempDir())
	require.Error(t, err, "a folder is no document")
}
