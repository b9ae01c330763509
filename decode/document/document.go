// Package document reads one YAML document into nodes that are checked while they are read.
//
//	text --Parse--> Document --Root--> Node --Map--> Map --Get--> Node --Text, Uint, Quantity...--> value
//	                    |                                                       |
//	                    +------------------------ Err <--- file:line:column ----+
//
// Reading goes on after a mistake, so that somebody who wrote a file by hand sees all of its
// mistakes at once and not one a run. Methods answer with false where there is nothing to be used:
// the key is absent, or its value was refused and the reason noted.
//
// The invariant: a Document whose Err is nil held nothing that was not asked for. Unknown keys,
// keys given twice, aliases, tags and a second document are mistakes, never ignored.
//
// Words are those of YAML 1.2: off, on, yes and no are text, 0x4A1 is a number, a time is text in
// the form of RFC 3339. The package does not write YAML and does not know what a document means.
package document

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

const (
	// MaxText is the longest text of a document, in bytes. The longest definitions we know have
	// a hundredth of it.
	MaxText = 1 << 20
	// MaxDepth is how deep lists and maps may lie in each other.
	MaxDepth = 16
	// MaxErrors is how many mistakes are kept; the rest is counted.
	MaxErrors = 20
)

// Error is one mistake in a document. It is written so that somebody who knows the vehicle, and
// neither YAML nor this program, can put it right: where, which key, what is there, what should be.
type Error struct {
	File    string
	Line    int // from 1
	Column  int // from 1, in characters
	Key     string
	Problem string
	Want    string // what was expected; may be empty
}

// Error returns 'wagon.yaml:12:11: mask: 0x0 selects no bit, expected ...'.
func (e *Error) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: ", e.File, e.Line, e.Column)
	if e.Key != "" {
		b.WriteString(e.Key + ": ")
	}
	b.WriteString(e.Problem)
	if e.Want != "" {
		b.WriteString(", expected " + e.Want)
	}
	return b.String()
}

// Document is one YAML document and the mistakes found in it so far. Whoever reads it asks Err once
// at the end and uses no value when there is one. It is not safe for concurrent use.
type Document struct {
	file   string
	root   *yaml.Node
	errs   []*Error
	unkept int // mistakes beyond MaxErrors
}

// Parse reads the text of one document; file is its name in errors. What is wrong with the text as
// YAML, or uses what no file of ours needs (aliases, tags, several documents), is returned here.
func Parse(file string, text []byte) (*Document, error) {
	d := &Document{file: file}
	if err := d.checkText(text); err != nil {
		return nil, err
	}
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	var top yaml.Node
	if err := decoder.Decode(&top); err != nil {
		return nil, d.syntaxError(text, err)
	}
	d.root = top.Content[0]
	// what follows the first document is read too, or a mistake behind it would go unseen
	var second yaml.Node
	switch err := decoder.Decode(&second); {
	case err == nil:
		return nil, &Error{file, second.Line, second.Column, "", "a second document starts here", "one document a file"}
	case !errors.Is(err, io.EOF):
		return nil, d.syntaxError(text, err)
	}
	// a tree with a key twice or an alias is not handed out: values read from it could differ from
	// those that a person reads in the file
	d.checkTree(d.root, "", 0)
	if err := d.Err(); err != nil {
		return nil, err
	}
	return d, nil
}

// Root returns the node of the whole document.
func (d *Document) Root() Node { return Node{d: d, y: d.root} }

// Err returns all mistakes found so far in the order of their places, or nil. Each is an *Error;
// they are joined as errors.Join does. Beyond MaxErrors they are only counted.
func (d *Document) Err() error {
	if len(d.errs) == 0 {
		return nil
	}
	// checks run by kind, people read by line
	slices.SortStableFunc(d.errs, func(a, b *Error) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	all := make([]error, len(d.errs))
	for i, e := range d.errs {
		all[i] = e
	}
	if d.unkept > 0 {
		all = append(all, fmt.Errorf("%s: and %d more mistakes", d.file, d.unkept))
	}
	return errors.Join(all...)
}

// add keeps a mistake, or counts it when enough are kept: a file of a megabyte may hold a mistake a
// line, and nobody reads more than a screen of them.
func (d *Document) add(at *yaml.Node, key, problem, want string) {
	if len(d.errs) == MaxErrors {
		d.unkept++
		return
	}
	d.errs = append(d.errs, &Error{d.file, at.Line, at.Column, key, problem, want})
}

// checkText refuses what the YAML reader would take or would explain badly.
func (d *Document) checkText(text []byte) error {
	if len(text) > MaxText {
		return &Error{d.file, 1, 1, "", "the text is too long", fmt.Sprintf("at most %d bytes", MaxText)}
	}
	// tabs inside a line are YAML's own matter; before the text they look like an indentation and are
	// none, which the YAML reader reports as a strange character or not at all
	line := 0
	for l := range bytes.Lines(text) {
		line++
		if i := firstInvalid(l); i >= 0 {
			return &Error{d.file, line, utf8.RuneCount(l[:i]) + 1, "", fmt.Sprintf("byte 0x%02X is no UTF-8", l[i]), "text in UTF-8"}
		}
		if i := bytes.IndexByte(l, '\t'); i >= 0 && len(bytes.TrimLeft(l[:i], " -")) == 0 {
			return &Error{d.file, line, i + 1, "", "a tab stands before the text of the line", "spaces (YAML allows no tabs there)"}
		}
	}
	return nil
}

// firstInvalid returns the offset of the first byte that is no UTF-8, or -1. Editors on workshop
// laptops still write degree signs and umlauts in one byte.
func firstInvalid(text []byte) int {
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}

// checkTree refuses what no document of ours needs and what could hide something from a reader.
func (d *Document) checkTree(n *yaml.Node, key string, depth int) {
	switch {
	case depth > MaxDepth:
		d.add(n, key, "lies too deep", fmt.Sprintf("at most %d levels", MaxDepth))
		return
	case n.Kind == yaml.AliasNode: // not followed, so a text can't grow by itself
		d.add(n, key, "*"+clip(n.Value)+" is an alias", aliasHint)
		return
	case n.Anchor != "":
		d.add(n, key, "&"+clip(n.Anchor)+" is an anchor", "the value without it")
	case n.Style&yaml.TaggedStyle != 0: // could turn a text into a number behind our back
		d.add(n, key, clip(n.Tag)+" is a tag", "the value without it")
	}
	switch n.Kind {
	case yaml.MappingNode:
		d.checkMapping(n, key, depth)
	case yaml.SequenceNode:
		for _, item := range n.Content {
			if item.Kind == yaml.MappingNode {
				key = ""
			}
			d.checkTree(item, key, depth+1)
		}
	}
}

// checkMapping checks the keys of a map. A key given twice is the mistake that costs most: in most
// readers the last one wins without a word, and the one that a person sees first is not used.
func (d *Document) checkMapping(n *yaml.Node, key string, depth int) {
	first := make(map[string]*yaml.Node, len(n.Content)/2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		switch {
		case k.Kind != yaml.ScalarNode:
			d.add(k, key, "the key is "+kindOf(k), "a word")
			continue
		case k.Value == "<<":
			d.add(k, key, "<< merges another map into this one", "each key written out")
			continue
		case first[k.Value] != nil:
			d.add(k, join(key, k.Value), fmt.Sprintf("is given twice, first in line %d", first[k.Value].Line), "each key once")
		default:
			first[k.Value] = k
		}
		d.checkTree(k, key, depth+1)
		d.checkTree(v, join(key, k.Value), depth+1)
	}
}

// maxShown is how much of a value or key an error repeats, in characters.
const maxShown = 40

// clip cuts what an error repeats of a file, which may be a megabyte in one word.
func clip(text string) string {
	if utf8.RuneCountInString(text) <= maxShown {
		return text
	}
	return string([]rune(text)[:maxShown]) + "..."
}

// join returns the path of a key below its parent, for errors: when.mask.
func join(parent, key string) string {
	if parent == "" {
		return clip(key)
	}
	return parent + "." + clip(key)
}
