package main

import (
	"context"
	"errors"
	"fmt"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/live"
)

// past is a session that is gone on with.
type past struct {
	path   string
	file   session.File // taken for this process; nil once the recorder has it
	end    session.End
	record *session.SessionRecord
	start  capture.Stamp // of the session
	names  []string      // of its buses
}

// openPast takes a session to go on with. One that was cut short is mended into a new file first, and
// stays as it is.
func (a *App) openPast(ctx context.Context, path string) (*past, error) {
	if err := aFile(path); err != nil {
		return nil, err
	}
	p := &past{path: path}
	var err error
	p.file, p.end, err = session.Continue(path)
	if errors.Is(err, session.ErrNotEnded) || errors.Is(err, session.ErrNotWhole) {
		names := paths{first: path}
		p.path = names.next()
		report, broken := session.Mend(path, p.path)
		if broken != nil {
			return nil, a.fileError(broken)
		}
		fmt.Fprintf(a.Err, "%s was %s; what is good of it is in %s, and the recording goes on there\n", path, report.Verdict, p.path)
		p.file, p.end, err = session.Continue(p.path)
	}
	if err != nil {
		return nil, a.fileError(err)
	}
	if err := p.look(ctx); err != nil {
		p.leave()
		return nil, a.readError(err)
	}
	return p, nil
}

// look reads what the session was recorded with, and the names of its buses.
func (p *past) look(ctx context.Context) error {
	return p.read(func(source capture.Source) error {
		return capture.Each(ctx, source, func(b *capture.Batch) {
			for i := range b.Events {
				p.hear(&b.Events[i])
			}
		})
	})
}

func (p *past) hear(e *capture.Event) {
	if e.Kind == capture.EventBus {
		p.names = append(p.names, e.Name)
	}
	if record := session.ReadSession(e); record != nil && p.record == nil {
		p.record, p.start = record, e.At
	}
}

// recall feeds a desk with what the session holds.
func (p *past) recall(ctx context.Context, desk *live.Desk) error {
	if err := p.read(func(source capture.Source) error { return desk.Recall(ctx, source) }); err != nil {
		return err
	}
	return desk.Recall(ctx, &capture.Slice{Events: []capture.Event{{Kind: capture.EventSection, At: p.end.At}}})
}

// read opens the session for as long as it is read.
func (p *past) read(do func(capture.Source) error) error {
	source, err := session.Open(p.path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer source.Close()
	return do(source)
}

// take hands the file over.
func (p *past) take() session.File {
	f := p.file
	p.file = nil
	return f
}

// leave gives back a file that nobody took.
func (p *past) leave() {
	if p != nil && p.file != nil {
		p.file.Close()
		p.file = nil
	}
}

// follow numbers the buses of a source so that those which the session knows keep their numbers.
func (p *past) follow(source capture.Source) capture.Source {
	return live.SameBuses(source, p.names)
}
