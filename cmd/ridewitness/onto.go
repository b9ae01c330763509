package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay"
	"ridewitness/replay/link"
	"ridewitness/safety"
)

// ontoFlags are the flags of `replay` that put a session onto virtual links.
type ontoFlags struct {
	links  []string
	format string
}

func (o *ontoFlags) bind(flags *pflag.FlagSet) {
	flags.StringArrayVar(&o.links, "onto", nil, "send a bus onto a virtual link, as in can0=vcan0; may be repeated, for other buses")
	formatFlag(flags, &o.format, "text", "json")
}

func (o *ontoFlags) given() bool { return len(o.links) > 0 }

// mapping reads BUS=LINK.
func (o *ontoFlags) mapping() ([]link.Map, error) {
	var all []link.Map
	for _, text := range o.links {
		bus, to, _ := strings.Cut(text, "=")
		if bus == "" || to == "" {
			return nil, usage("name a bus of the session and a virtual link: --onto can0=vcan0", "--onto: %q is not BUS=LINK", text)
		}
		all = append(all, link.Map{From: bus, To: to})
	}
	return all, nil
}

// check refuses what means nothing together.
func (o *replayOptions) check() error {
	if err := checkFormat(o.onto.format, "text", "json"); err != nil {
		return err
	}
	switch {
	case !o.onto.given() && o.onto.format != "text":
		return usage("give --onto too, or leave --format out", "--format: a replay on the terminal has no other form")
	case o.onto.given() && o.paused:
		return usage("leave --paused out", "--paused: nobody could let it go on, since --onto listens to no keys")
	}
	return nil
}

// replayOnto plays a session onto virtual links.
func (a *App) replayOnto(ctx context.Context, path string, o replayOptions) error {
	mapping, err := o.onto.mapping()
	if err != nil {
		return err
	}
	if err := aFile(path); err != nil {
		return err
	}
	j := ontoJob{path: path, options: o}
	if err := a.lookOnto(ctx, &j); err != nil {
		return err
	}
	sender, err := link.Open(mapping)
	if err != nil {
		return refusedLink(err)
	}
	defer sender.Close()
	if err := j.fits(mapping, sender); err != nil {
		return refusedLink(err)
	}
	j.tell(a.Err, sender.Counts())
	played := a.playOnto(ctx, &j, sender)
	if err := a.sayOnto(j.result(sender.Counts(), played), o.onto.format); err != nil {
		return err
	}
	if o.repeat && errors.Is(played, context.Canceled) {
		return nil // there is no other end
	}
	return refusedLink(played)
}

// ontoJob is what is to be played onto links.
type ontoJob struct {
	path     string
	options  replayOptions
	origin   string
	buses    busSeer
	from, to capture.Stamp
	clock    *replay.Steered
	rounds   int // begun
}

// lookOnto reads the session once: what is on its buses, and where --from and --to lie.
func (a *App) lookOnto(ctx context.Context, j *ontoJob) error {
	s, err := a.open(ctx, j.path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer s.close()
	k, err := j.options.known.load(s.record)
	if err != nil {
		return err
	}
	pipeline, err := safety.NewPipeline(k.signals, k.card, nil)
	if err != nil {
		return unreadable(err, "")
	}
	j.origin = originOf(s.record)
	j.buses.Source = s.source
	survey, err := replay.Look(ctx, &j.buses, pipeline)
	if err != nil {
		return a.readError(err)
	}
	if j.from, err = moment(&survey, "--from", j.options.from); err != nil {
		return err
	}
	j.to, err = moment(&survey, "--to", j.options.to)
	return err
}

// busSeer hands on a source and notes which buses it has, and which of them carry FD frames.
type busSeer struct {
	capture.Source
	names []string
	fd    map[string]bool
	now   [capture.MaxBuses]string
}

// Next implements capture.Source.
func (s *busSeer) Next(ctx context.Context, into *capture.Batch) error {
	err := s.Source.Next(ctx, into)
	told := 0
	for i := range into.Frames {
		told = s.learn(into.Events, told, i)
		if f := &into.Frames[i]; f.Flags.Has(capture.FD) && int(f.Bus) < len(s.now) {
			if s.fd == nil {
				s.fd = make(map[string]bool)
			}
			s.fd[s.now[f.Bus]] = true
		}
	}
	s.learn(into.Events, told, len(into.Frames))
	return err
}

// learn takes the names of buses from the events that come before a frame, from the told-th on.
func (s *busSeer) learn(events []capture.Event, told, frame int) int {
	for ; told < len(events) && events[told].Index <= frame; told++ {
		e := &events[told]
		if e.Kind != capture.EventBus || int(e.Bus) >= len(s.now) {
			continue
		}
		s.now[e.Bus] = e.Name
		if !slices.Contains(s.names, e.Name) {
			s.names = append(s.names, e.Name)
		}
	}
	return told
}

// fits reports whether the session has the buses that are to be sent, and the links carry what is on
// them.
func (j *ontoJob) fits(mapping []link.Map, sender *link.Sender) error {
	for _, m := range mapping {
		switch {
		case !slices.Contains(j.buses.names, m.From):
			return usage("its buses: "+strings.Join(j.buses.names, ", "), "--onto: %s has no bus %q", j.path, m.From)
		case j.buses.fd[m.From] && !sender.CarriesFD(m.From):
			return &link.RefusedError{Link: m.To, Err: link.ErrNoFD}
		}
	}
	return nil
}

// tell says before the first frame what goes where.
func (j *ontoJob) tell(w io.Writer, c link.Counts) {
	for _, l := range c.Links {
		fmt.Fprintf(w, "%s goes onto %s, of the kind %s, which has no controller; the frames are of origin %s\n", l.From, l.To, l.Kind, strings.ToUpper(j.origin))
	}
}

// playOnto plays the session once, or until ctx ends.
func (a *App) playOnto(ctx context.Context, j *ontoJob, sender *link.Sender) error {
	defer replay.Keen()()
	j.clock = replay.NewFineSteered(j.from, j.options.speed)
	for {
		j.rounds++
		before := sender.Counts()
		err := a.roundOnto(ctx, j, sender)
		// A stretch in which nothing goes onto a link would be repeated without a pause.
		if err != nil || !j.options.repeat || slices.Equal(before.Links, sender.Counts().Links) {
			return err
		}
	}
}

// roundOnto plays it once. The kernel is asked again before each, and by the sender every second.
func (a *App) roundOnto(ctx context.Context, j *ontoJob, sender *link.Sender) error {
	source, err := session.Open(j.path, session.WithoutDigest())
	if err != nil {
		return unreadable(err, "")
	}
	defer source.Close()
	if err := sender.Check(); err != nil {
		return err
	}
	p := replay.Player{Source: source, Clock: j.clock, Take: sender.Send, Skip: sender.Pass, From: j.from, To: j.to, Each: true}
	if j.options.gap > 0 {
		p.Gaps = replay.Gaps{Longer: j.options.gap, Take: 3 * time.Second}
	}
	return a.readError(p.Run(ctx))
}

// refusedLink adds what to do about a link that is refused.
func refusedLink(err error) error {
	var refused *link.RefusedError
	if errors.As(err, &refused) {
		return unreadable(err, refused.Hint())
	}
	return err
}

// ontoResult is what `replay --onto` says: schema ridewitness/replay/1.
type ontoResult struct {
	Schema   string          `json:"schema"`
	File     string          `json:"file"`
	Origin   string          `json:"origin"`
	Speed    float64         `json:"speed"`
	Rounds   int             `json:"rounds"`
	Complete bool            `json:"complete"` // the last round went to its end
	Why      string          `json:"why,omitempty"`
	Links    []ontoLink      `json:"links"`
	Unmapped uint64          `json:"frames_of_other_buses"`
	Lateness replay.Lateness `json:"lateness"`
}

type ontoLink struct {
	Bus     string `json:"bus"`
	Link    string `json:"link"`
	Kind    string `json:"kind"`
	Sent    uint64 `json:"sent"`
	Refused uint64 `json:"refused"`
	Errors  uint64 `json:"error_frames_left_out"`
	Cut     uint64 `json:"cut_frames_left_out"`
}

func (j *ontoJob) result(c link.Counts, played error) *ontoResult {
	r := &ontoResult{Schema: "ridewitness/replay/1", File: j.path, Origin: j.origin, Speed: j.options.speed, Rounds: j.rounds,
		Complete: played == nil, Unmapped: c.Unmapped, Lateness: j.clock.Lateness()}
	if played != nil {
		r.Why = message(played)
	}
	for _, l := range c.Links {
		r.Links = append(r.Links, ontoLink{l.From, l.To, l.Kind, l.Sent, l.Refused, l.Errors, l.Cut})
	}
	return r
}

func (a *App) sayOnto(r *ontoResult, format string) error {
	if format == "json" {
		return writeJSON(a.Out, r)
	}
	_, err := io.WriteString(a.Out, r.text())
	return err
}

// text says it in sentences.
func (r *ontoResult) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, origin %s", r.File, strings.ToUpper(r.Origin))
	if r.Rounds > 1 {
		fmt.Fprintf(&b, ", begun %d times", r.Rounds)
	}
	b.WriteString("\n")
	for _, l := range r.Links {
		fmt.Fprintf(&b, "  %s onto %s: %d frames sent\n", l.Bus, l.Link, l.Sent)
		for _, part := range []struct {
			n    uint64
			what string
		}{
			{l.Refused, "refused: the kernel had no room for them"},
			{l.Errors, "left out: error reports of the adapter are not frames of a bus"},
			{l.Cut, "left out: the session does not hold all their bytes"},
		} {
			if part.n > 0 {
				fmt.Fprintf(&b, "    %d %s\n", part.n, part.what)
			}
		}
	}
	if r.Unmapped > 0 {
		fmt.Fprintf(&b, "  %d frames of other buses were not sent\n", r.Unmapped)
	}
	if !r.Complete {
		fmt.Fprintf(&b, "  not played to the end: %s\n", r.Why)
	}
	fmt.Fprintf(&b, "  %s\n", r.Lateness)
	return b.String()
}
