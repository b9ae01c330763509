package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ridewitness/capture"
	"ridewitness/capture/host"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/replay/live"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

type recordOptions struct {
	known     knownFlags
	output    string
	onward    string // --continue
	from      string
	notSilent bool
	plain     bool
	page      string // its port; "" for none
}

func newRecordCommand(a *App) *cobra.Command {
	var o recordOptions
	cmd := &cobra.Command{
		Use:     "record BUS...",
		GroupID: groupDuring,
		Short:   "Record the buses, show the corners, warn",
		Long: `Record every frame of the buses that are named, show pressure and height of each corner, and warn before
and while a corner comes down on an empty spring. It sends nothing. A link that is not listen-only is
refused, since its controller would acknowledge frames; --not-silent allows it and puts it on record.

The session goes to session-TIME.pcapng, or to --output; never over a file. When a file can't be written
any more another one goes on: session-TIME-2.pcapng. --continue FILE goes on with a finished session, or
with one whose recorder was killed, and still knows which springs are empty.

Keys: SPACE notes this moment, a digit marks (? lists them), J jack, G going down: it answers at once.
S silences for 60 s, U takes the last mark back, A acknowledges, T tests the sound. Ctrl-C asks once and
ends the second time; SIGTERM ends at once, in good order.

--page shows it on a page for a browser on this computer, large enough to be read from under the car.

--from FILE, or --from - for a stream on standard input, records a session instead of buses, so that any
laptop can watch through a Linux box.

It is a witness, not an interlock: 'ridewitness help cautions'.`,
		ValidArgsFunction: canLinks,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.record(cmd.Context(), args, o)
		},
	}
	o.known.bind(cmd.Flags())
	flags := cmd.Flags()
	flags.StringVar(&o.output, "output", "", "the session file; never over an existing one")
	flags.StringVar(&o.onward, "continue", "", "go on with this session")
	flags.StringVar(&o.from, "from", "", "record this session file, or - for standard input, instead of buses")
	flags.BoolVar(&o.notSilent, "not-silent", false, "listen also to links that are not listen-only and so acknowledge frames")
	flags.BoolVar(&o.plain, "plain", false, "one sentence a line, for readers of lines")
	flags.StringVar(&o.page, "page", "", "show it on a browser page too, on this computer only; --page=8080 chooses the port")
	flags.Lookup("page").NoOptDefVal = anyPort
	return cmd
}

func (o *recordOptions) check(buses []string) error {
	switch {
	case len(buses) == 0 && o.from == "":
		return usage("such as 'ridewitness record can0'; 'ridewitness prepare' lists the links", "no bus is named")
	case len(buses) > 0 && o.from != "":
		return usage("name buses or give --from", "--from takes the place of buses")
	case o.output != "" && o.onward != "":
		return usage("give one of them", "--continue goes on in its own file, so --output has no meaning")
	}
	return nil
}

// recording is one run of the recorder, put together.
type recording struct {
	origin *origin
	known  *known
	past   *past // nil: it begins anew
	paths  paths

	mu     sync.Mutex
	opened func(path string) // told of each file after the first; nil before
}

func (a *App) record(ctx context.Context, buses []string, o recordOptions) error {
	if err := o.check(buses); err != nil {
		return err
	}
	r := &recording{}
	var err error
	if r.origin, err = a.openOrigin(ctx, buses, o); err != nil {
		return err
	}
	defer r.origin.close()
	if err := a.place(ctx, r, o); err != nil {
		return err
	}
	defer r.past.leave()
	record := r.origin.record
	if r.past != nil {
		record = r.past.record
	}
	if r.known, err = o.known.load(record); err != nil {
		return err
	}
	return a.run(ctx, r, o)
}

// place finds out where the recording goes: into a new file, or behind what a session holds.
func (a *App) place(ctx context.Context, r *recording, o recordOptions) error {
	if o.onward != "" {
		var err error
		if r.past, err = a.openPast(ctx, o.onward); err != nil {
			return err
		}
		r.paths.first = r.past.path
		if now := r.origin.now(); now < r.past.end.At {
			r.past.leave()
			return usage("set the clock, or begin a new session", "it is %s, and %s ends at %s: what goes on with it would lie before its end", now, r.past.path, r.past.end.At)
		}
		r.origin.source = r.past.follow(r.origin.source)
		return nil
	}
	r.paths.first = o.output
	if o.output == "" {
		r.paths.first = "session-" + a.Now().UTC().Format("20060102T150405Z") + ".pcapng"
	}
	return mayWrite(r.paths.first)
}

// head is the session record of what is recorded.
func (r *recording) head() session.SessionRecord {
	head := session.SessionRecord{Origin: r.origin.name, Program: session.Application, Links: r.origin.links, Definitions: r.known.definitions, Card: r.known.cardText}
	head.Host, _ = os.Hostname() // a host without a name is one
	if r.origin.record != nil {
		head.Scenario, head.Seed = r.origin.record.Scenario, r.origin.record.Seed
	}
	return head
}

// garbage is how much of it a recording lets come together, in percent of what is in use. Most of that are
// the rings of frames, which are never garbage: the usual 100 would leave as much room again to it.
const garbage = 25

// run records until the source ends, or somebody ends it.
func (a *App) run(ctx context.Context, r *recording, o recordOptions) error {
	defer debug.SetGCPercent(debug.SetGCPercent(garbage))
	pipe, err := safety.NewPipeline(r.known.signals, r.known.card, nil)
	if err != nil {
		return unreadable(err, "")
	}
	page, err := a.openPage(o.page)
	if err != nil {
		return err
	}
	defer page.close()
	door, rec, err := a.begin(r)
	if err != nil {
		return err
	}
	defer door.Close()
	recording, end := context.WithCancel(ctx)
	defer end()
	listener := rec.Listen()
	ear, now := capture.Source(listener), r.origin.now
	if r.origin.patient { // it may be written faster than it is judged
		heard := live.NewStream(listener, r.origin.now())
		ear, now = heard, heard.Now
	}
	desk := live.New(live.Options{Pipeline: pipe, Facts: r.facts(), Terminal: a.terminal(o.plain), Now: now, Keep: rec, End: end,
		Elsewhere: r.origin.patient, Page: page.address, Machine: live.Machine{Power: host.PowerNow,
			Disk: func() (host.Disk, error) { return host.DiskAt(r.paths.folder()) }}})
	if r.past != nil {
		if err := r.past.recall(ctx, desk); err != nil {
			return a.readError(err)
		}
	}
	var sealed atomic.Bool
	endPage, err := page.serve(ctx, func() terminal.State {
		s := desk.State()
		s.Ended = sealed.Load() // the page says that it was closed
		return s
	})
	if err != nil {
		return err
	}
	defer takeSignals(desk)()
	written := make(chan error, 1)
	go func() { written <- rec.Run(recording) }()
	shown := desk.Run(context.WithoutCancel(ctx), ear)
	listener.Close()
	err = <-written
	sealed.Store(err == nil)
	if err := endPage(); err != nil {
		fmt.Fprintf(a.Err, "the page ended early: %v\n", err)
	}
	return errors.Join(a.sayRecorded(r, rec.Status(), err), shown)
}

// begin opens the first file, and the door by which other programs bring marks.
func (a *App) begin(r *recording) (*live.Door, *recorder.Recorder, error) {
	options := recorder.Options{Head: r.head(), Files: r.files, Now: r.origin.now, Stop: r.origin.stop, Patient: r.origin.patient, Room: r.room}
	if r.past != nil {
		options.Behind = r.past.end
	}
	rec, err := recorder.New(r.origin.source, options)
	if err != nil {
		return nil, nil, notBegun(r.paths.first, err)
	}
	door := live.NewDoor(rec.Journal, r.origin.now)
	if err := door.Open(r.paths.first); err != nil {
		fmt.Fprintf(a.Err, "other programs can't bring marks: %v\n", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.opened = func(path string) { _ = door.Open(path) } // of a later file: the command mark then says that nobody takes it
	return door, rec, nil
}

// facts are what the screen is told of the recording.
func (r *recording) facts() terminal.Facts {
	f := terminal.Facts{Mode: terminal.Live, Origin: r.origin.name, Keys: terminal.LiveKeys, Zone: time.Local, Start: r.origin.now()}
	if r.past != nil {
		f.Start = r.past.start
	}
	if r.known.card != nil {
		f.Label = r.known.card.Label
	}
	return f
}

// terminal is what a live screen is shown on. Where standard input is a stream, keys come from the
// terminal itself.
func (a *App) terminal(plain bool) terminal.Terminal {
	in, out := fileOf(a.In), fileOf(a.Out)
	if out == nil {
		return terminal.Terminal{}
	}
	screen := term.IsTerminal(int(out.Fd()))
	if screen && (in == nil || !term.IsTerminal(int(in.Fd()))) {
		in, _ = os.Open("/dev/tty") // where there is none, nobody presses keys
	}
	if in == nil {
		return terminal.Terminal{Out: out, Bell: screen}
	}
	t := terminal.Detect(in, out, os.Getenv, plain)
	t.Typed, t.Bell = term.IsTerminal(int(in.Fd())), screen
	return t
}

// leastRoom is kept free on the disk: what is being recorded must be ended in good order.
const leastRoom = 8 << 20

// room reports that the disk is full, but for what the end takes.
func (r *recording) room() error {
	disk, err := host.DiskAt(r.paths.folder())
	if err != nil || disk.Free >= leastRoom {
		return nil // what can't be asked is found out by writing
	}
	return fmt.Errorf("%s is full: %d MB are left", r.paths.folder(), disk.Free/1e6)
}

// files opens the files of a recording, the first one where it was asked for.
func (r *recording) files(number int) (session.File, string, error) {
	path := r.paths.first
	if number > 1 {
		path = r.paths.next()
	}
	f, err := session.File(nil), error(nil)
	if number == 1 && r.past != nil {
		f = r.past.take()
	} else if f, err = session.Create(path); err != nil {
		return nil, path, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.opened != nil {
		r.opened(path)
	}
	return f, path, nil
}

// paths are the names of a recording's files.
type paths struct {
	first string
	last  int
}

func (p *paths) folder() string { return filepath.Dir(p.first) }

// next returns the next name that is free: session-2.pcapng behind session.pcapng.
func (p *paths) next() string {
	for p.last = max(p.last+1, 2); ; p.last++ {
		name := live.Numbered(p.first, p.last)
		if _, err := os.Lstat(name); err != nil {
			return name
		}
	}
}

// notBegun says why a recording did not begin.
func notBegun(path string, err error) error {
	if errors.Is(err, os.ErrExist) {
		return taken(path)
	}
	return noFolder(path, err)
}

// sayRecorded says what was recorded, and what to do with it.
func (a *App) sayRecorded(r *recording, status recorder.Status, err error) error {
	var text strings.Builder
	for _, name := range status.Files {
		fmt.Fprintf(&text, "recorded: %s\n", name)
	}
	for _, failed := range status.Failed {
		fmt.Fprintf(&text, "could not be written any more: %s\n", failed)
	}
	if status.Lost > 0 {
		fmt.Fprintf(&text, "%d frames are in no file: the disk was too late for them\n", status.Lost)
	}
	if status.Forgotten > 0 {
		fmt.Fprintf(&text, "%d records of the journal are in no file\n", status.Forgotten)
	}
	if n := len(status.Files); n > 0 {
		fmt.Fprintf(&text, "next: ridewitness review %s\n", status.Files[n-1])
	}
	if _, said := io.WriteString(a.Out, text.String()); said != nil && err == nil {
		fmt.Fprint(a.Err, text.String()) // a pipe that nobody reads any more
	}
	if err != nil {
		return err
	}
	return r.origin.finish(status.Files)
}
