package document

// The YAML reader explains itself to somebody who knows its grammar. Here its messages get a hint in
// plain words, and the line where the mistake is rather than the one where the reader's patience began:
//
//	2  signals:
//	3    - name: a        <- the reader: did not find expected '-' indicator
//	4      unit: bar
//	5     scale: 1        <- the line to blame: one column short

import (
	"bytes"
	"errors"
	"io"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// syntaxHints say for the messages of the YAML reader that users meet what it wants.
var syntaxHints = map[string]string{
	"mapping values are not allowed in this context":         "one 'key: value' a line, or quotes around a text with a colon in it",
	"did not find expected key":                              "keys of one map in the same column",
	"did not find expected ',' or '}'":                       "a closing }",
	"did not find expected ',' or ']'":                       "a closing ]",
	"could not find expected ':'":                            "a colon and a space behind the key",
	"found character that cannot start any token":            "quotes around a text that starts with this character",
	"did not find expected '-' indicator":                    "items of one list, and the keys of one item, in the same column",
	"found unexpected end of stream":                         "a closing quote",
	"block sequence entries are not allowed in this context": "the list on the lines after its key",
}

// aliasHint is said of aliases that exist and of those that do not.
const aliasHint = "the value itself, written again"

var (
	syntaxForm  = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)
	unknownForm = regexp.MustCompile(`^unknown anchor '(.*)' referenced$`)
)

// syntaxError turns an error of the YAML reader into one of ours. The reader knows only a line, and
// not always the one that is to blame.
func (d *Document) syntaxError(text []byte, err error) error {
	if errors.Is(err, io.EOF) {
		return &Error{d.file, 1, 1, "", "the document is empty", "version: 1"}
	}
	line, problem := splitMessage(err)
	// an alias without its anchor is an error of the reader, one with it a node: say the same of both
	if m := unknownForm.FindStringSubmatch(problem); m != nil {
		alias := "*" + m[1]
		e := &Error{d.file, 1, 1, "", clip(alias) + " is an alias", aliasHint}
		if before, _, ok := bytes.Cut(text, []byte(alias)); ok {
			e.Line, e.Column = placeAfter(before)
		}
		return e
	}
	switch {
	case strings.HasPrefix(problem, "did not find expected ','"):
		line++ // counted from 0 in messages of this kind
	case strings.HasPrefix(problem, "did not find expected") && len(text) <= maxBlamed:
		line = firstFailing(text, problem)
	}
	// a column is not told; the start of the line's text is where people look first
	lines := bytes.Split(text, []byte("\n"))
	line = max(1, min(line, len(lines)))
	indent := len(lines[line-1]) - len(bytes.TrimLeft(lines[line-1], " "))
	return &Error{d.file, line, indent + 1, "", problem, syntaxHints[problem]}
}

// splitMessage takes the line out of a message of the YAML reader, which has no type for its errors.
// Without a line it is 1.
func splitMessage(err error) (line int, problem string) {
	m := syntaxForm.FindStringSubmatch(err.Error())
	if m == nil {
		return 1, err.Error()
	}
	line, convErr := strconv.Atoi(m[1])
	if convErr != nil {
		line = 1
	}
	return line, m[2]
}

// placeAfter returns line and column of what follows the text.
func placeAfter(before []byte) (line, column int) {
	lastLine := before[bytes.LastIndexByte(before, '\n')+1:]
	return bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(lastLine) + 1
}

// maxBlamed is the longest text in which the line to blame is looked for: reading a text of this
// length a score of times takes under half a second.
const maxBlamed = 1 << 16

// firstFailing returns the line at which the YAML reader stumbles. For a wrong indentation it names
// the start of the block instead, which may lie pages before. It reads forward only, so the shortest
// run of lines that brings the same message ends in the line to blame.
func firstFailing(text []byte, problem string) int {
	lines := bytes.SplitAfter(text, []byte("\n"))
	n := sort.Search(len(lines), func(n int) bool {
		var node yaml.Node
		err := yaml.Unmarshal(bytes.Join(lines[:n+1], nil), &node)
		if err == nil {
			return false
		}
		_, p := splitMessage(err)
		return p == problem
	})
	return n + 1
}
