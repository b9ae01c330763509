package decode

import (
	"cmp"
	"slices"

	"ridewitness/capture"
)

// run is a stretch of the decoder's order: the signals of one identifier.
type run struct{ from, to uint16 }

// table finds the signals of a frame on one bus. Most frames of a vehicle are wanted by nobody, so
// the way to 'none' is the shortest: one load for 11 bit, one probe for 29 bit.
type table struct {
	bus      string
	standard [capture.MaxStandardID + 1]uint16 // index into runs, 0 for none
	extended hashed                            // identifiers of 29 bits
	groups   hashed                            // SAE J1939 parameter group numbers
	runs     []run                             // from 1
	order    []SignalIndex                     // signals of one identifier are neighbours
}

// newTable compiles the signals that may come from frames of the bus.
func newTable(signals []Signal, bus string) *table {
	t := &table{bus: bus, runs: make([]run, 1)}
	var wanted []SignalIndex
	for i := range signals {
		o := &signals[i].Origin
		if (o.Kind == FromFrame || o.Kind == FromGroup) && (o.Bus == "" || o.Bus == bus) {
			wanted = append(wanted, SignalIndex(i))
		}
	}
	key := func(i SignalIndex) uint64 { return originKey(&signals[i].Origin) }
	slices.SortStableFunc(wanted, func(a, b SignalIndex) int { return cmp.Compare(key(a), key(b)) })
	t.order = wanted
	for from := 0; from < len(wanted); {
		to := from
		for to < len(wanted) && key(wanted[to]) == key(wanted[from]) {
			to++
		}
		t.runs = append(t.runs, run{uint16(from), uint16(to)})
		t.enter(&signals[wanted[from]].Origin, uint16(len(t.runs)-1))
		from = to
	}
	return t
}

// originKey orders origins so that equal ones are neighbours.
func originKey(o *Origin) uint64 {
	switch {
	case o.Kind == FromGroup:
		return 2<<32 | uint64(o.Group)
	case o.Extended:
		return 1<<32 | uint64(o.ID)
	default:
		return uint64(o.ID)
	}
}

func (t *table) enter(o *Origin, at uint16) {
	switch {
	case o.Kind == FromGroup:
		t.groups.put(o.Group, at)
	case o.Extended:
		t.extended.put(uint32(o.ID), at)
	case o.ID <= capture.MaxStandardID:
		t.standard[o.ID] = at
	}
}

// of returns the signals that lie in frames with that identifier.
func (t *table) of(at uint16) []SignalIndex {
	r := t.runs[at]
	return t.order[r.from:r.to]
}

// hashed maps 29 bit numbers to runs by open addressing. It is built once and at most half full.
type hashed struct {
	keys   []uint32 // number + 1, 0 is free
	values []uint16
	shift  uint8
	n      int
}

// spread is Knuth's multiplicative hash: 2^32 divided by the golden ratio (The Art of Computer
// Programming, volume 3, section 6.4).
const spread = 2654435769

func (h *hashed) slot(key uint32) uint32 { return key * spread >> h.shift }

func (h *hashed) get(key uint32) uint16 {
	if h.n == 0 {
		return 0
	}
	mask := uint32(len(h.keys) - 1)
	for i := h.slot(key); ; i = (i + 1) & mask {
		switch h.keys[i] {
		case key + 1:
			return h.values[i]
		case 0:
			return 0
		}
	}
}

func (h *hashed) put(key uint32, value uint16) {
	if 2*(h.n+1) > len(h.keys) {
		h.grow()
	}
	mask := uint32(len(h.keys) - 1)
	i := h.slot(key)
	for h.keys[i] != 0 && h.keys[i] != key+1 {
		i = (i + 1) & mask
	}
	if h.keys[i] == 0 {
		h.n++
	}
	h.keys[i], h.values[i] = key+1, value
}

func (h *hashed) grow() {
	old := *h
	size := max(16, 2*len(old.keys))
	*h = hashed{keys: make([]uint32, size), values: make([]uint16, size), shift: 32}
	for n := size; n > 1; n /= 2 {
		h.shift--
	}
	for i, k := range old.keys {
		if k != 0 {
			h.put(k-1, old.values[i])
		}
	}
}
