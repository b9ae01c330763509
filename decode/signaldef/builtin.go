package signaldef

import (
	"embed"
	"fmt"
	"strings"

	"ridewitness/decode"
)

//go:embed builtin/*.yaml
var builtins embed.FS

// BuiltinNames are the names of the built-in definitions.
var BuiltinNames = []string{"j1939", "obd"}

// Builtin returns the built-in definitions of that name, or false when there are none. Their Place
// is the name, with line and column in what BuiltinText returns. Each call returns its own copy.
func Builtin(name string) ([]decode.Signal, bool) {
	text, ok := BuiltinText(name)
	if !ok {
		return nil, false
	}
	signals, err := Load(name, text)
	if err != nil {
		// the text is part of the program: to go on without it would read a vehicle as silent
		panic(fmt.Sprintf("the built-in definitions %s, which a test loads, are wrong: %v", name, err))
	}
	return signals, true
}

// BuiltinText returns the built-in definitions of that name as they are written, for people to read
// and to start their own from.
func BuiltinText(name string) ([]byte, bool) {
	// a name with a separator is a path, also where the embedded files could be reached by it
	if strings.ContainsAny(name, `/\`) {
		return nil, false
	}
	text, err := builtins.ReadFile("builtin/" + name + ".yaml")
	return text, err == nil
}

// Open returns the built-in definitions of that name, or reads a file. A file whose name is that of
// a built-in is reached with a path: './obd'.
func Open(name string) ([]decode.Signal, error) {
	if signals, ok := Builtin(name); ok {
		return signals, nil
	}
	return LoadFile(name)
}
