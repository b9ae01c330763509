// Package signaldef reads signal definitions: what a value means, and where in which bytes it lies.
//
//	wagon.yaml --document--> checked keys --rules of one signal--> rules between signals --> []decode.Signal
//	j1939, obd --embedded--^
//
// The invariant: definitions that Load returns can't contradict each other or themselves. No bits
// serve two signals at once, no field reaches past its payload, no (corner, quantity) has two
// signals, and no pressure is without a reference. What can't be checked here, whether a definition
// is true of this vehicle, is carried as its Proof.
//
// The format is ours, `version: 1`: FORMAT.md shows it, Schema returns it as JSON Schema. Identifiers follow
// ISO 11898-1, groups SAE J1939-21, data identifiers ISO 14229-1, parameters SAE J1979,
// diagnostic addressing ISO 15765-2. The package does not decode, and reads no other format.
package signaldef

import (
	"fmt"

	"ridewitness/decode"
	"ridewitness/decode/document"
)

// Version is the version of the format that this package reads.
const Version = 1

// MaxSignals is the most signals of one file.
const MaxSignals = 4096

// Load reads definitions from the text of a file; name stands for the file in errors and in each
// signal's Place. The error joins a *document.Error for each mistake.
func Load(name string, text []byte) ([]decode.Signal, error) {
	d, err := document.Parse(name, text)
	if err != nil {
		return nil, err
	}
	l := &loader{}
	l.readFile(d.Root())
	if err := d.Err(); err != nil {
		return nil, err
	}
	l.checkTogether()
	if err := d.Err(); err != nil {
		return nil, err
	}
	return l.signals(), nil
}

// LoadFile reads definitions from a file.
func LoadFile(path string) ([]decode.Signal, error) {
	text, err := document.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Load(path, text)
}

// entry is a signal with the nodes it was read from, to which later checks tie their errors.
type entry struct {
	decode.Signal
	at   document.Node
	body document.Map
}

// loader collects the signals of one file.
type loader struct {
	entries []entry
}

// readFile reads each signal on its own. What they say about each other is checked later, and only when
// each of them alone is without mistake: half a signal would collide with anything.
func (l *loader) readFile(root document.Node) {
	m, ok := root.Map(fileKeys...)
	if !ok {
		return
	}
	m.Need("version", "version: 1").Uint(Version, Version)
	list, ok := m.Need("signals", "a list of signals").List("a list of signals")
	if !ok {
		return
	}
	if len(list) == 0 || len(list) > MaxSignals {
		m.Get("signals").Refuse(fmt.Sprintf("the list has %d signals", len(list)), fmt.Sprintf("1 to %d", MaxSignals))
		return
	}
	for _, item := range list {
		if e, ok := readSignal(item); ok {
			l.entries = append(l.entries, e)
		}
	}
}

// signals returns what was read, in the order of the file.
func (l *loader) signals() []decode.Signal {
	out := make([]decode.Signal, len(l.entries))
	for i, e := range l.entries {
		out[i] = e.Signal
	}
	return out
}
