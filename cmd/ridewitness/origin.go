package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan"
	"ridewitness/replay/live"
)

// origin is where the frames of a recording come from: live buses, or a session that is streamed in.
type origin struct {
	name    string // in a word
	source  capture.Source
	now     func() capture.Stamp
	stop    func() // nil: it ends by itself
	patient bool
	links   []session.LinkRecord
	record  *session.SessionRecord // of a stream; nil for buses
	close   func()
	stream  *live.Stream             // nil for buses
	whole   func() session.Integrity // of a stream
}

func (a *App) openOrigin(ctx context.Context, buses []string, o recordOptions) (*origin, error) {
	if o.from != "" {
		return a.openStream(ctx, o.from)
	}
	if at := a.Now(); at.Before(clockSet) {
		return nil, usage("set it; without it no time in the session means anything", "the clock of this computer says %s", at.UTC().Format(time.DateOnly))
	}
	source, err := socketcan.Open(buses, socketcan.Options{NotSilent: o.notSilent})
	if err != nil {
		return nil, unreadable(err, hintOf(err))
	}
	g := &origin{name: session.OriginVirtual, source: source, now: source.Now, stop: func() { source.Close() }, close: func() { source.Close() }}
	for _, b := range source.Buses() {
		if !b.Facts.Virtual() {
			g.name = session.OriginVehicle
		}
		g.links = append(g.links, linkRecord(&b.Facts))
		if !b.Forced && b.Buffer < socketcan.DefaultBuffer {
			fmt.Fprintf(a.Err, "%s: the kernel keeps %d waiting frames; raise net.core.rmem_max, or grant cap_net_admin, for more\n", b.Name, b.Holds())
		}
	}
	return g, nil
}

// hintOf says what to do where a bus can't be listened to.
func hintOf(err error) string {
	var link *socketcan.LinkError
	switch {
	case errors.Is(err, socketcan.ErrModeUnknown):
		return "--not-silent listens to it all the same, and puts on record that it may acknowledge frames"
	case errors.As(err, &link) && link.Hint() != "":
		return link.Hint()
	case errors.Is(err, socketcan.ErrNotLinux):
		return ""
	default:
		return "'ridewitness prepare' lists the links"
	}
}

// clockSet is a time before which no clock that anybody has set can be.
var clockSet = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

func linkRecord(f *socketcan.Facts) session.LinkRecord {
	r := session.LinkRecord{Bus: f.Name, Type: f.Kind, Bitrate: f.BitRate}
	if f.Mode == socketcan.ModeListenOnly || f.Mode == socketcan.ModeActive {
		silent := f.Mode == socketcan.ModeListenOnly
		r.ListenOnly = &silent
	}
	return r
}

// openStream opens a session to be recorded again.
func (a *App) openStream(ctx context.Context, path string) (*origin, error) {
	s, err := a.open(ctx, path)
	if err != nil {
		return nil, err
	}
	if s.start == 0 {
		s.start = capture.StampOf(a.Now()) // it is empty, or does not say
	}
	stream := live.NewStream(s.source, s.start)
	g := &origin{name: originOf(s.record), source: stream, now: stream.Now, patient: true, record: s.record, stream: stream, whole: s.integrity}
	g.close = func() {
		if stream.Ended() { // else somebody may still hang in a read of it, and the end of the program closes it
			s.close()
		}
	}
	if s.record != nil {
		g.links = s.record.Links
	}
	return g, nil
}

// finish says of a recording whose stream came to a bad end that it did, in the session too.
func (g *origin) finish(files []string) error {
	if g.stream == nil || !g.stream.Ended() || len(files) == 0 {
		return nil
	}
	i := g.whole()
	if i.Verdict != session.CutShort && i.Verdict != session.Altered {
		return nil
	}
	last := files[len(files)-1]
	cut := session.MendedFrom{Integrity: i.Verdict.String(), Why: i.Why, Kept: i.From.Offset}
	if err := session.AppendCut(last, cut); err != nil {
		return err
	}
	return fmt.Errorf("what was recorded came to a bad end, and %s says so: %s", last, i.Why)
}
