package decode

import (
	"cmp"
	"slices"

	"ridewitness/capture"
)

// noSource stands for a payload that names no source address.
const noSource = -1

// sender is whose values of a signal count: those of the first that was heard with one.
type sender struct {
	bus    int16 // -1 before the first
	source int16 // source address of a parameter group, or last byte of an answer's identifier; else noSource
}

var unheard = sender{bus: -1, source: noSource}

// Report tells of somebody who sent values of a signal that another one sends too. They did not count:
// two sensors mixed to one series would show a height or a pressure that neither of them measured.
type Report struct {
	Signal      SignalIndex
	Bus         capture.BusID
	Source      int    // source address of a parameter group; of service 0x01 the last byte of the answer's identifier; else -1
	Values      uint64 // how many
	FirstAt     capture.Stamp
	FirstPacket uint64
}

// maxOthers bounds the list of senders that do not count.
const maxOthers = 1024

// others are the senders that do not count.
type others struct {
	reports []Report
	at      map[senderOf]int // index into reports
}

type senderOf struct {
	signal SignalIndex
	sender sender
}

// note counts a value that does not count. Past the bound only senders that are listed are counted.
func (l *others) note(key senderOf, o *origin) {
	at, known := l.at[key]
	if !known {
		if len(l.reports) == maxOthers {
			return
		}
		if l.at == nil {
			l.at = map[senderOf]int{}
		}
		at = len(l.reports)
		l.at[key] = at
		l.reports = append(l.reports, Report{Signal: key.signal, Bus: o.bus, Source: int(o.source), FirstAt: o.at, FirstPacket: o.packet})
	}
	l.reports[at].Values++
}

// counts reports whether this sender's sample of a signal counts: those of the first one with a value
// do. Who only says 'not available' or 'error' has no value, so it neither takes the place nor is it a
// second sender: on a J1939 network units send whole groups of which they know one part.
func (d *Decoder) counts(i SignalIndex, o *origin, status Status) bool {
	from := &d.signals[i].Origin
	if from.Kind == FromGroup && from.Source != AnySource && int16(from.Source) != o.source {
		return false
	}
	hasValue := status == StatusValid || status == StatusOutOfRange
	this := sender{bus: int16(o.bus), source: o.source}
	if d.senders[i] == unheard {
		if hasValue {
			d.senders[i] = this
		}
		return true
	}
	if d.senders[i] == this {
		return true
	}
	if hasValue {
		d.others.note(senderOf{i, this}, o)
	}
	return false
}

// Reports returns who else sent values of a signal, by signal, bus and source.
func (d *Decoder) Reports() []Report {
	list := slices.Clone(d.others.reports)
	slices.SortFunc(list, func(a, b Report) int {
		return cmp.Or(cmp.Compare(a.Signal, b.Signal), cmp.Compare(a.Bus, b.Bus), cmp.Compare(a.Source, b.Source))
	})
	return list
}
