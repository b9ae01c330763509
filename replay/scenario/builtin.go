package scenario

import (
	"embed"
	"fmt"
	"strconv"
	"strings"
)

// The built-in scenarios are files like anybody's.
//
//go:embed builtin/*.yaml
var builtins embed.FS

// Names returns the names of the built-in scenarios, in alphabetical order.
func Names() []string {
	entries, err := builtins.ReadDir("builtin")
	if err != nil {
		return nil
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// Builtin returns a built-in scenario by its name, one of Names.
func Builtin(name string) (*Scenario, error) { return builtin(name, 0) }

func builtin(name string, depth int) (*Scenario, error) {
	text, err := Text(name)
	if err != nil {
		return nil, err
	}
	s, err := load(name+".yaml", text, depth)
	if err != nil {
		return nil, err
	}
	s.Name = name
	return s, nil
}

// Text returns the YAML of a built-in scenario: a start for one's own.
func Text(name string) (string, error) {
	text, err := builtins.ReadFile("builtin/" + name + ".yaml")
	if err != nil {
		return "", fmt.Errorf("no scenario is called %q, expected one of %s", name, strings.Join(Names(), ", "))
	}
	return string(text), nil
}

// trimmed writes a number without needless digits.
func trimmed(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
