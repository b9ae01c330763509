package jobcard

// Marks of the workshop's own, set with one key while the hands are dirty. They mean nothing to the
// rules; they stand in the session for people who read it later.

import (
	"regexp"
	"slices"
	"strings"

	"ridewitness/decode/document"
)

// BuiltinMarks are the names of marks that every session has; a card can't give them another
// meaning.
var BuiltinMarks = []string{"lift-up", "wheels-off", "bled", "line-open", "line-closed", "filled", "jack", "wheels-on",
	"going-down", "first-contact", "lowered", "bolts-tightened", "tape", "note", "take-back"}

// builtinKeys are the letters that the recording screen takes for itself. Digits are its marks.
var builtinKeys = map[string]string{
	"j": "jack", "g": "going down", "s": "silence", "u": "take back", "a": "acknowledge",
	"p": "plots", "l": "list", "b": "big",
}

// The forms of names and keys of marks.
var (
	markForm = regexp.MustCompile(`^[a-z][a-z0-9-]{0,39}$`)
	keyForm  = regexp.MustCompile(`^[A-Za-z]$`)
)

// readMarks reads further marks. A name that is built in would change what the rules take the mark for.
func (l *loader) readMarks(n document.Node) {
	pairs, ok := n.Pairs("a map from names of marks to keys, such as {ballast-in: t}")
	if !ok {
		return
	}
	for _, p := range pairs {
		name, _ := p.Key.Text()
		switch {
		case slices.Contains(BuiltinMarks, name):
			p.Key.Refuse("is a mark that is built in", "another name")
		case !markForm.MatchString(name):
			p.Key.Refuse(p.Key.Shown()+" is no name of a mark", "small letters, digits and '-', such as ballast-in")
		}
		l.addMark(name, p.Value)
	}
}

// addMark keeps a mark with a key that is free. Keys count in both cases.
func (l *loader) addMark(name string, n document.Node) {
	text, ok := n.Text()
	if !ok {
		return
	}
	key := strings.ToLower(text) // with caps lock on, the same key
	other := slices.IndexFunc(l.card.Marks, func(m MarkName) bool { return m.Key == key })
	switch {
	case !keyForm.MatchString(text):
		n.Refuse(n.Shown()+" is no key for a mark", "one letter")
	case builtinKeys[key] != "":
		n.Refuse(n.Shown()+" is the key for "+builtinKeys[key], "a letter other than "+reservedLetters())
	case other >= 0:
		n.Refuse(n.Shown()+" is the key of "+l.card.Marks[other].Name+" already", "a key of its own")
	default:
		l.card.Marks = append(l.card.Marks, MarkName{name, key})
	}
}

// reservedLetters lists the letters that are taken, sorted.
func reservedLetters() string {
	var keys []string
	for k := range builtinKeys {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return strings.Join(keys, ", ")
}
