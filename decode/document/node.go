package document

// How a scalar is read, against what other readers make of it:
//
//	written         here            YAML 1.1
//	off, no, n      text            false
//	0x4A1           1185            1185
//	010             refused         8
//	1_000           text            1000
//	1:30            text            90
//	2026-03-02      text            a time
//	'7'             text            text
//
// A node has no type of its own: the reader of a key says what it expects, and gets that or a mistake.

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"ridewitness/capture"
	"ridewitness/decode/quantity"
)

// Node is a value in a document. The zero Node is an absent one: its methods report nothing and
// answer false.
type Node struct {
	d    *Document
	y    *yaml.Node
	key  string // path from the nearest list item, for errors
	item bool   // a list item: the keys in it are named without those around the list
}

// path returns what the keys in the node are named under.
func (n Node) path() string {
	if n.item {
		return ""
	}
	return n.key
}

// Exists reports whether the node is there.
func (n Node) Exists() bool { return n.y != nil }

// IsMap reports whether the node is a map.
func (n Node) IsMap() bool { return n.y != nil && n.y.Kind == yaml.MappingNode }

// IsList reports whether the node is a list.
func (n Node) IsList() bool { return n.y != nil && n.y.Kind == yaml.SequenceNode }

// Is reports whether the node is this word.
func (n Node) Is(word string) bool {
	return n.y != nil && n.y.Kind == yaml.ScalarNode && n.y.Value == word
}

// Place returns 'file:line:column' of the node, empty for an absent one.
func (n Node) Place() string {
	if n.y == nil {
		return ""
	}
	return fmt.Sprintf("%s:%d:%d", n.d.file, n.y.Line, n.y.Column)
}

// Line returns the node's line, from 1; 0 for an absent node.
func (n Node) Line() int {
	if n.y == nil {
		return 0
	}
	return n.y.Line
}

// Shown returns the node's own words, cut where they are long, to begin a sentence of Refuse with.
func (n Node) Shown() string {
	if n.y == nil {
		return ""
	}
	return clip(n.y.Value)
}

// found describes the node where something else was expected.
func (n Node) found() string {
	switch {
	case n.y.Kind != yaml.ScalarNode:
		return "found " + kindOf(n.y)
	case n.empty():
		return "found nothing"
	case n.quoted():
		return "found the text " + strconv.Quote(clip(n.y.Value))
	default:
		return "found " + strconv.Quote(clip(n.y.Value))
	}
}

// Refuse notes a mistake at the node: what is wrong and what was expected, which may be empty. The two
// make one sentence with a comma: problem, expected want.
func (n Node) Refuse(problem, want string) {
	if n.y != nil {
		n.d.add(n.y, n.key, problem, want)
	}
}

// refuseType says that the node is not what was expected.
func (n Node) refuseType(want string) { n.Refuse(n.found(), want) }

// Map returns the node as a map that may have the given keys; any other key is a mistake. An unknown
// key is never ignored: `vald` beside the right keys would leave a range open that somebody set.
func (n Node) Map(keys ...string) (Map, bool) {
	pairs, ok := n.Pairs("a map with the keys " + strings.Join(keys, ", "))
	if !ok {
		return Map{}, false
	}
	m := Map{Node: n, pairs: pairs}
	for _, p := range pairs {
		if slices.Contains(keys, p.Key.y.Value) {
			continue
		}
		meant := nearest(p.Key.y.Value, keys)
		m.meant = append(m.meant, meant)
		if meant == "" {
			meant = OneOf(keys)
		}
		p.Key.Refuse("is no key that is known here", meant)
	}
	return m, true
}

// Pair is a key and its value.
type Pair struct{ Key, Value Node }

// Pairs returns the keys and values of a map with keys of the user's choice, in the order of the
// file. want says in an error what should be there.
func (n Node) Pairs(want string) ([]Pair, bool) {
	if n.y == nil {
		return nil, false
	}
	if n.y.Kind != yaml.MappingNode {
		n.refuseType(want)
		return nil, false
	}
	pairs := make([]Pair, 0, len(n.y.Content)/2)
	for i := 0; i+1 < len(n.y.Content); i += 2 {
		k, v := n.y.Content[i], n.y.Content[i+1]
		key := join(n.path(), k.Value)
		pairs = append(pairs, Pair{Node{d: n.d, y: k, key: key}, Node{d: n.d, y: v, key: key}})
	}
	return pairs, true
}

// List returns the items of a list. want says in an error what should be there.
func (n Node) List(want string) ([]Node, bool) {
	if n.y == nil {
		return nil, false
	}
	if n.y.Kind != yaml.SequenceNode {
		n.refuseType(want)
		return nil, false
	}
	items := make([]Node, len(n.y.Content))
	for i, y := range n.y.Content {
		items[i] = Node{d: n.d, y: y, key: n.key, item: true}
	}
	return items, true
}

// maxTextChars is the longest text of one value, in bytes.
const maxTextChars = 500

// Text returns the words of a value, quoted or not. Numbers are words too: `label: 7` is "7". Texts end
// up in one line of a terminal, of a table or of a log, so control characters are refused.
func (n Node) Text() (string, bool) {
	if n.y == nil {
		return "", false
	}
	if n.y.Kind != yaml.ScalarNode || n.empty() {
		n.refuseType("a text")
		return "", false
	}
	if len(n.y.Value) > maxTextChars {
		n.Refuse(fmt.Sprintf("the text has %d bytes", len(n.y.Value)), fmt.Sprintf("at most %d", maxTextChars))
		return "", false
	}
	if strings.ContainsFunc(n.y.Value, func(r rune) bool { return r < ' ' || r == 0x7F }) {
		n.Refuse("the text has a line break or another control character in it", "one line of text")
		return "", false
	}
	return n.y.Value, true
}

// Word returns a value that is one of the given words. The error names the one that is nearest to what
// is written, or all of them.
func (n Node) Word(words ...string) (string, bool) {
	if n.y == nil {
		return "", false
	}
	if n.y.Kind == yaml.ScalarNode && slices.Contains(words, n.y.Value) && !n.empty() {
		return n.y.Value, true
	}
	meant := nearest(n.y.Value, words)
	if meant == "" {
		meant = OneOf(words)
	}
	n.refuseType(meant)
	return "", false
}

var (
	decimalForm = regexp.MustCompile(`^[0-9]+$`)
	hexForm     = regexp.MustCompile(`^0x[0-9A-Fa-f]+$`)
	numberForm  = regexp.MustCompile(`^[-+]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?$`)
)

// Uint returns a whole number from least to most, written as 26 or 0x1A. All 64 bits are kept: masks of
// eight bytes do not fit into a float.
func (n Node) Uint(least, most uint64) (uint64, bool) {
	if n.y == nil {
		return 0, false
	}
	want := wholeNumber(least, most)
	if n.y.Kind != yaml.ScalarNode || n.quoted() {
		n.refuseType(want)
		return 0, false
	}
	v, err := parseUint(n.y.Value)
	switch {
	case errors.Is(err, strconv.ErrRange) || err == nil && (v < least || v > most):
		n.Refuse(n.Shown()+" is out of range", want)
		return 0, false
	case err != nil:
		n.refuseType(want)
		return 0, false
	}
	return v, true
}

// parseUint reads decimal and hexadecimal numbers. A leading zero is refused, since 010 is eight to one
// reader and ten to the next (YAML 1.1 and 1.2 differ), and a mask off by that is silent.
func parseUint(s string) (uint64, error) {
	switch {
	case hexForm.MatchString(s):
		return strconv.ParseUint(s[2:], 16, 64)
	case decimalForm.MatchString(s) && (s == "0" || s[0] != '0'):
		return strconv.ParseUint(s, 10, 64)
	default:
		return 0, strconv.ErrSyntax
	}
}

// wholeNumber describes a range; large bounds as users write masks and identifiers.
func wholeNumber(least, most uint64) string {
	switch {
	case least == most:
		return strconv.FormatUint(least, 10)
	case most == math.MaxUint64:
		return "a whole number such as 26 or 0x1A"
	case most > 1000:
		return fmt.Sprintf("a whole number from %d to 0x%X", least, most)
	default:
		return fmt.Sprintf("a whole number from %d to %d", least, most)
	}
}

// Number returns a finite number. Infinities and not-a-number, which YAML can write, would pass every
// comparison that a rule makes with them.
func (n Node) Number() (float64, bool) {
	if n.y == nil {
		return 0, false
	}
	if n.y.Kind != yaml.ScalarNode || n.quoted() || !numberForm.MatchString(n.y.Value) {
		n.refuseType("a number such as 0.01")
		return 0, false
	}
	v, err := strconv.ParseFloat(n.y.Value, 64)
	if err != nil || math.IsInf(v, 0) {
		n.Refuse(n.Shown()+" is out of range", "a number that fits into 64 bits")
		return 0, false
	}
	return v, true
}

// Bool returns true or false; yes, no, on and off are words (YAML 1.2).
func (n Node) Bool() (value, ok bool) {
	if n.y == nil {
		return false, false
	}
	if n.y.Kind == yaml.ScalarNode && !n.quoted() {
		switch n.y.Value {
		case "true":
			return true, true
		case "false":
			return false, true
		}
	}
	n.refuseType("true or false")
	return false, false
}

// Quantity returns a quantity such as '98 cm2' as a number in unit to. A bare number is refused where to
// has a unit: 98 is an area to one reader and a length to the next.
func (n Node) Quantity(to quantity.Unit) (float64, bool) {
	text, ok := n.Text()
	if !ok {
		return 0, false
	}
	v, err := quantity.ParseIn(text, to)
	if err != nil {
		var e *quantity.Error
		if !errors.As(err, &e) {
			e = &quantity.Error{Problem: err.Error()}
		}
		n.Refuse(clip(text)+" "+e.Problem, e.Want)
		return 0, false
	}
	return v, true
}

// Time returns a point in time, written as RFC 3339 has it, with its offset from UTC. YAML's own times,
// with a space and without offset, are refused.
func (n Node) Time() (capture.Stamp, bool) {
	text, ok := n.Text()
	if !ok {
		return 0, false
	}
	at, err := ParseTime(text)
	if err != nil {
		n.Refuse(clip(text)+" "+err.Error(), "a time such as 2026-03-02T09:14:05Z")
		return 0, false
	}
	return at, true
}

// quoted reports whether a scalar was marked as text. A quoted number is refused where a number is
// expected: who quotes it meant a text, or does not know what the quotes do.
func (n Node) quoted() bool {
	return n.y.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0
}

// empty reports whether nothing, or YAML's word for nothing, stands behind the key.
func (n Node) empty() bool {
	if n.quoted() {
		return n.y.Value == ""
	}
	return n.y.Value == "" || n.y.Value == "~" || n.y.Value == "null"
}

// kindOf names the kind of a node in an error.
func kindOf(y *yaml.Node) string {
	switch y.Kind {
	case yaml.MappingNode:
		return "a map"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "an alias"
	default:
		return strconv.Quote(clip(y.Value))
	}
}

// Map is a map whose keys are known.
type Map struct {
	Node
	pairs []Pair   // in the order of the file; maps are short, so Get looks through them
	meant []string // known keys that unknown ones are taken for
}

// Get returns the value of a key, or an absent node.
func (m Map) Get(key string) Node {
	for _, p := range m.pairs {
		if p.Key.y.Value == key {
			return p.Value
		}
	}
	return Node{}
}

// Need returns the value of a key that has to be there; want says in an error what for. A key that
// is there but misspelt was refused already and is not called missing too.
func (m Map) Need(key, want string) Node {
	n := m.Get(key)
	if !n.Exists() && m.y != nil && !slices.Contains(m.meant, key) {
		m.d.add(m.y, join(m.path(), key), "is missing", want)
	}
	return n
}
