package live

import (
	"context"

	"ridewitness/capture"
)

// SameBuses returns a source whose buses are numbered by their names: those in names keep their places
// there, others follow behind them.
func SameBuses(source capture.Source, names []string) capture.Source {
	return &renamed{source: source, names: names}
}

// renamed is a source whose buses are numbered by their names.
type renamed struct {
	source capture.Source
	names  []string
	ids    [capture.MaxBuses]capture.BusID
}

// Next implements capture.Source.
func (r *renamed) Next(ctx context.Context, into *capture.Batch) error {
	err := r.source.Next(ctx, into)
	for frames, e := range into.InOrder() {
		for i := range frames {
			frames[i].Bus = r.ids[frames[i].Bus%capture.MaxBuses]
		}
		if e != nil && e.Kind != capture.EventJournal {
			if e.Kind == capture.EventBus {
				r.ids[e.Bus%capture.MaxBuses] = r.id(e.Name)
			}
			e.Bus = r.ids[e.Bus%capture.MaxBuses]
		}
	}
	return err
}

// id returns the number of a bus by its name. More than there may be share the last one.
func (r *renamed) id(name string) capture.BusID {
	for i, n := range r.names {
		if n == name {
			return capture.BusID(i)
		}
	}
	if len(r.names) < capture.MaxBuses {
		r.names = append(r.names, name)
	}
	return capture.BusID(len(r.names) - 1)
}
