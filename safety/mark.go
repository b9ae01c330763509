package safety

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
)

// Names of the marks that are built in. A job card adds more.
const (
	MarkLiftUp       = "lift-up"
	MarkWheelsOff    = "wheels-off"
	MarkBled         = "bled"
	MarkLineOpen     = "line-open"
	MarkLineClosed   = "line-closed"
	MarkFilled       = "filled"
	MarkJack         = "jack"
	MarkWheelsOn     = "wheels-on"
	MarkGoingDown    = "going-down"
	MarkFirstContact = "first-contact"
	MarkLowered      = "lowered"
	MarkTightened    = "bolts-tightened"
	MarkTape         = "tape"
	MarkNote         = "note"
	MarkTakeBack     = "take-back"
)

// MarkKind is a built-in mark and what it means.
type MarkKind struct {
	Name  string
	Means string
	Value string // what its value holds; "" where it takes none
}

// MarkKinds lists the built-in marks in the order of a job.
var MarkKinds = []MarkKind{
	{MarkLiftUp, "the vehicle hangs on the lift", ""},
	{MarkWheelsOff, "the wheels are off", ""},
	{MarkBled, "the corner's spring is bled", ""},
	{MarkLineOpen, "the corner's air line is open", ""},
	{MarkLineClosed, "the corner's air line is closed again", ""},
	{MarkFilled, "the corner's spring is filled", ""},
	{MarkJack, "a jack lifts one axle or wheel from below", ""},
	{MarkWheelsOn, "the wheels are on", ""},
	{MarkGoingDown, "the lift is about to come down", ""},
	{MarkFirstContact, "the wheels touch the ground", ""},
	{MarkLowered, "the vehicle stands on its wheels", ""},
	{MarkTightened, "the bolts of the corner are tightened", ""},
	{MarkTape, "a height by tape, hub centre to wheel-arch edge", "391 mm"},
	{MarkNote, "a remark", ""},
	{MarkTakeBack, "withdraws an earlier record", "J12"},
}

// Mark is a note with a time: something that hands did and no network shows.
type Mark struct {
	At     capture.Stamp
	Record uint64 // number of its journal record
	Name   string
	Corner decode.Corner
	Value  string
	Note   string
	By     string
	TapeMM float64 // of a tape mark
	taken  bool    // withdrawn
}

// evidence returns m as something a finding can rest on.
func (m *Mark) evidence() Evidence {
	return Evidence{At: m.At, Mark: m.Name, Record: m.Record}
}

// ParseMark reads the body of a journal record of kind `mark`. Unknown fields are ignored.
func ParseMark(e capture.Event) (Mark, error) {
	var body struct{ Name, Corner, Value, Note, By string }
	if err := json.Unmarshal(e.Body, &body); err != nil {
		return Mark{}, fmt.Errorf("journal record J%d: mark: %w", e.Record, err)
	}
	corner, ok := decode.ParseCorner(body.Corner)
	if !ok {
		return Mark{}, fmt.Errorf("journal record J%d: mark %s: %q is no corner", e.Record, body.Name, body.Corner)
	}
	m := Mark{At: e.At, Record: e.Record, Name: body.Name, Corner: corner, Value: body.Value, Note: body.Note, By: body.By}
	if m.Name == "" {
		return Mark{}, fmt.Errorf("journal record J%d: mark without a name", e.Record)
	}
	if m.Name == MarkTape {
		mm, err := parseTape(body.Value)
		if err != nil {
			return Mark{}, fmt.Errorf("journal record J%d: tape: %w", e.Record, err)
		}
		if m.Corner == decode.NoCorner {
			return Mark{}, fmt.Errorf("journal record J%d: tape: which corner was measured is missing", e.Record)
		}
		m.TapeMM = mm
	}
	return m, nil
}

// parseTape returns a tape reading in mm.
func parseTape(text string) (float64, error) {
	return quantity.ParseIn(text, quantity.Millimetre)
}

// withdraws returns the number of the record that a take-back names.
func (m *Mark) withdraws() (uint64, bool) {
	if m.Name != MarkTakeBack {
		return 0, false
	}
	n, err := strconv.ParseUint(strings.TrimPrefix(m.Value, "J"), 10, 64)
	return n, err == nil
}

// maxMarks bounds the marks of one session; later ones are counted and no more.
const maxMarks = 20000

// marks keeps those of a session that have not been taken back.
type marks struct {
	all     []*Mark
	dropped int
}

func (ms *marks) add(m Mark) *Mark {
	if len(ms.all) == maxMarks {
		ms.dropped++
		return nil
	}
	ms.all = append(ms.all, &m)
	return &m
}

// takeBack withdraws the mark of that record and returns it, nil where there is none.
func (ms *marks) takeBack(record uint64) *Mark {
	i := slices.IndexFunc(ms.all, func(m *Mark) bool { return m.Record == record })
	if i < 0 || ms.all[i].taken {
		return nil
	}
	ms.all[i].taken = true
	return ms.all[i]
}

// last returns the latest mark of one of the names on the corner (NoCorner in the mark: all corners).
func (ms *marks) last(corner decode.Corner, names ...string) *Mark {
	for _, m := range slices.Backward(ms.all) {
		if !m.taken && slices.Contains(names, m.Name) && (m.Corner == corner || m.Corner == decode.NoCorner || corner == decode.NoCorner) {
			return m
		}
	}
	return nil
}

// lastNamed returns the latest mark of that name, whatever its corner.
func (ms *marks) lastNamed(name string) *Mark { return ms.last(decode.NoCorner, name) }

// CheckMark reports what is wrong with a mark that somebody wants to set.
func CheckMark(at capture.Stamp, name, corner, value string) error {
	body, err := json.Marshal(struct{ Name, Corner, Value string }{name, corner, value})
	if err != nil {
		return err
	}
	m, err := ParseMark(capture.Event{At: at, Body: body})
	if err != nil {
		return errors.New(strings.TrimPrefix(err.Error(), "journal record J0: "))
	}
	if _, ok := m.withdraws(); m.Name == MarkTakeBack && !ok {
		return fmt.Errorf("take-back: %q is no record; write it as J12", value)
	}
	return nil
}
