package jobcard

// What the tester's requests mean. One row ties one request to one kind of work on some corners:
//
//	-> 0x6D4  31 01 03 02   start routine 0x0302      row: fill, rear-left
//	<- 0x6DC  71 01 03 02   it runs                   the stage begins
//	-> 0x6D4  31 02 03 02   stop
//	<- 0x6DC  71 02 03 02   it stopped                the stage ends

import (
	"fmt"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/signaldef"
)

// stageKeys are the keys of a row, those of an address included.
var stageKeys = append([]string{"stage", "corners", "routine", "input_output"}, signaldef.AddressKeys...)

// readStages reads what the tester's requests mean. Nothing on a network says that routine 0x0301 bleeds
// the rear left: only somebody who watched it, or the maker's papers, do.
func (l *loader) readStages(n document.Node) {
	list, _ := items(n, "a list of requests and what they mean")
	for _, item := range list {
		m, ok := item.Map(stageKeys...)
		if !ok {
			continue
		}
		if r, ok := l.readStage(m); ok {
			l.addStage(m, r)
		}
	}
}

// readStage reads one row: a routine (service 0x31) or an input output control (service 0x2F) of ISO
// 14229-1, and the unit that is asked.
func (l *loader) readStage(m document.Map) (StageRequest, bool) {
	r := StageRequest{Place: m.Place()}
	r.Stage, _ = m.Need("stage", "bleed or fill").Word("bleed", "fill")
	corners := m.Need("corners", "the corners that it bleeds or fills")
	r.Corners = l.readAirCorners(corners)
	if list, ok := corners.List(""); ok && len(list) == 0 {
		corners.Refuse("no corner is named", "the corners that it bleeds or fills")
	}
	routine, control := m.Get("routine"), m.Get("input_output")
	const want = "routine (service 0x31) or input_output (service 0x2F), one of the two"
	// both share their number range, so the key has to say which service is meant
	switch {
	case routine.Exists() && control.Exists():
		control.Refuse("the row names a routine too", want)
	case control.Exists():
		id, _ := control.Uint(0, 0xFFFF)
		r.Kind, r.Identifier = InputOutput, uint16(id)
	default:
		id, _ := m.Need("routine", want).Uint(0, 0xFFFF)
		r.Kind, r.Identifier = Routine, uint16(id)
	}
	var ok bool
	r.Address, ok = signaldef.ReadAddress(m)
	return r, ok
}

// addStage keeps a row unless another row claims the same request, or can't be told from it.
func (l *loader) addStage(m document.Map, r StageRequest) {
	for _, other := range l.card.Stages {
		// also for the same stage: which corners it works on would depend on the row that is found first
		same := r.Kind == other.Kind && r.Identifier == other.Identifier && r.Address == other.Address
		if same {
			m.Get(r.Kind.key()).Refuse(fmt.Sprintf("0x%04X is the request for %s %s already", r.Identifier, other.Stage, cornerList(other.Corners)),
				"each request in one row")
			return
		}
		if why := signaldef.Collide(r.Address, other.Address); why != "" {
			m.Get("response").Refuse(fmt.Sprintf("%s of request 0x%X", why, uint32(other.Address.Request)), "a response identifier for each request identifier")
			return
		}
	}
	l.card.Stages = append(l.card.Stages, r)
}

// key returns the key of a card that holds the identifier.
func (k RequestKind) key() string {
	if k == InputOutput {
		return "input_output"
	}
	return "routine"
}

// cornerList writes corners for an error.
func cornerList(corners []decode.Corner) string {
	text := ""
	for i, c := range corners {
		if i > 0 {
			text += ", "
		}
		text += c.String()
	}
	return text
}
