package classroom

import (
	"embed"
	"fmt"
	"slices"
	"strings"
)

// The lessons that ship are files like anybody's.
//
//go:embed lessons/*.yaml
var lessons embed.FS

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of lessons, for editors. A lesson that passes it
// may still be refused by Load, which knows rules, scenarios and lengths that belong together.
func Schema() []byte { return slices.Clone(schema) }

// Names returns the names of the shipped lessons, in alphabetical order.
func Names() []string {
	entries, err := lessons.ReadDir("lessons")
	if err != nil {
		return nil
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// Text returns the YAML of a shipped lesson: a start for one's own.
func Text(name string) (string, error) {
	text, err := lessons.ReadFile("lessons/" + name + ".yaml")
	if err != nil {
		return "", fmt.Errorf("no lesson is called %q, expected one of %s", name, strings.Join(Names(), ", "))
	}
	return string(text), nil
}

// Builtin returns a shipped lesson by its name, one of Names.
func Builtin(name string) (*Lesson, error) {
	text, err := Text(name)
	if err != nil {
		return nil, err
	}
	l, err := Load(name+".yaml", []byte(text))
	if err != nil {
		return nil, err
	}
	l.Name = name
	return l, nil
}
