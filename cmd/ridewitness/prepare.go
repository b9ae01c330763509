package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ridewitness/capture"
	"ridewitness/capture/host"
	"ridewitness/capture/socketcan"
	"ridewitness/safety/prepare"
)

type prepareOptions struct {
	known     knownFlags
	output    string
	notSilent bool
	listen    time.Duration
	format    string
}

// Bounds of --listen.
const (
	leastListen = 100 * time.Millisecond
	mostListen  = 10 * time.Minute
)

func newPrepareCommand(a *App) *cobra.Command {
	var o prepareOptions
	cmd := &cobra.Command{
		Use:     "prepare [BUS...]",
		GroupID: groupBefore,
		Short:   "Check laptop, adapter, bus, clock, disk and sound before the job",
		Long: `Look at what would spoil a recording, and say what to do about it: the links that are named, what comes
on them, which definitions read a value, the job card, clock, disk, battery, sound and terminal. Without
a bus it lists the CAN links that there are.

It sends nothing and sets up no link: how a link is set up is shown, and you do it. Ends with 0 when
these checks found nothing, 3 when something needs doing. That nothing was found proves nothing about
the lift or the vehicle.`,
		ValidArgsFunction: canLinks,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.prepare(cmd.Context(), args, o)
		},
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&o.known.signals, "signals", nil, "signal definitions: a YAML file, or j1939 or obd; may be repeated, a later one replaces")
	flags.StringVar(&o.known.card, "jobcard", "", "job card (YAML)")
	flags.StringVar(&o.output, "output", ".", "the folder that the session will be written to")
	flags.BoolVar(&o.notSilent, "not-silent", false, "listen also to links that are not listen-only and so acknowledge frames")
	flags.DurationVar(&o.listen, "listen", 3*time.Second, "how long to listen")
	formatFlag(flags, &o.format, "text", "json")
	return cmd
}

// canLinks completes the names of CAN links.
func canLinks(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	var names []string
	links, _ := socketcan.Links() // where there are none, nothing is offered
	for i := range links {
		if links[i].CAN {
			names = append(names, links[i].Name)
		}
	}
	return names, cobra.ShellCompDirectiveNoFileComp
}

func (a *App) prepare(ctx context.Context, buses []string, o prepareOptions) error {
	if err := o.check(buses); err != nil {
		return err
	}
	k, err := o.known.load(nil)
	if err != nil {
		return err
	}
	f := prepare.Facts{Stack: socketcan.Stack(), NotSilent: o.notSilent,
		Known:  prepare.Known{Signals: k.signals, Replaced: k.replaced, Card: k.card},
		Screen: prepare.Screen{Terminal: a.Terminal, Width: a.Width, Height: a.Height}}
	f.Links, f.LinksErr = canLinkFacts()
	for _, name := range buses {
		f.Buses = append(f.Buses, prepare.Bus{Name: name})
	}
	if err := a.listenTo(ctx, &f, o.listen); err != nil {
		return err
	}
	f.Folder = tryFolder(o.output)
	f.Power, _ = host.PowerNow() // an error is: not known
	f.Clock, f.Now = host.ClockNow(), a.Now()
	if f.Sound, err = a.tryBell(ctx, o.format); err != nil {
		return err
	}
	return a.sayPrepared(prepare.New(&f), o.format)
}

// check refuses what can't be meant.
func (o *prepareOptions) check(buses []string) error {
	if err := checkFormat(o.format, "text", "json"); err != nil {
		return err
	}
	if o.listen < leastListen || o.listen > mostListen {
		return usage("such as --listen 3s", "--listen: %s is not from %s to %s", o.listen, leastListen, mostListen)
	}
	if len(buses) > capture.MaxBuses {
		return usage(fmt.Sprintf("at most %d", capture.MaxBuses), "%d buses are too many", len(buses))
	}
	for i, name := range buses {
		if slices.Contains(buses[:i], name) {
			return usage("name each bus once", "%q is named twice", name)
		}
	}
	return nil
}

func (a *App) sayPrepared(r *prepare.Report, format string) error {
	var err error
	if format == "json" {
		err = writeJSON(a.Out, r)
	} else {
		_, err = io.WriteString(a.Out, r.Text(min(a.Width, 100)))
	}
	if err == nil && r.Findings > 0 {
		return verdict(exitWarning)
	}
	return err
}

// canLinkFacts returns what the kernel says of every CAN link.
func canLinkFacts() ([]socketcan.Facts, error) {
	links, err := socketcan.Links()
	return slices.DeleteFunc(links, func(f socketcan.Facts) bool { return !f.CAN }), err
}

// listenTo fills in what is known of the named buses, and what came on those that can be listened to.
func (a *App) listenTo(ctx context.Context, f *prepare.Facts, listen time.Duration) error {
	source, names := openBuses(f)
	if source != nil {
		if err := a.hear(ctx, source, f, names, listen); err != nil {
			return err
		}
	}
	// Asked behind the listening: a controller that meets the wrong bit rate changes its state.
	for i := range f.Buses {
		b := &f.Buses[i]
		facts, err := socketcan.FactsOf(b.Name)
		if err == nil {
			b.Facts = facts
		} else if b.Err == nil {
			b.Err = err
		}
	}
	return nil
}

// openBuses opens those buses that can be opened, and notes of the others why not. Without one the
// source is nil.
func openBuses(f *prepare.Facts) (*socketcan.Source, []string) {
	var names []string
	for i := range f.Buses {
		names = append(names, f.Buses[i].Name)
	}
	for len(names) > 0 {
		source, err := socketcan.Open(names, socketcan.Options{NotSilent: f.NotSilent})
		if err == nil {
			for _, opened := range source.Buses() {
				b := &f.Buses[slices.IndexFunc(f.Buses, func(b prepare.Bus) bool { return b.Name == opened.Name })]
				b.Buffer, b.Forced, b.Holds = opened.Buffer, opened.Forced, opened.Holds()
			}
			return source, names
		}
		var link *socketcan.LinkError
		errors.As(err, &link)
		blamed := func(name string) bool { return link == nil || link.Link == "" || link.Link == name }
		for i := range f.Buses {
			if b := &f.Buses[i]; b.Err == nil && blamed(b.Name) {
				b.Err = err
			}
		}
		names = slices.DeleteFunc(names, blamed)
	}
	return nil, nil
}

// hear listens for a while.
func (a *App) hear(ctx context.Context, source *socketcan.Source, f *prepare.Facts, names []string, listen time.Duration) (err error) {
	defer func() { err = errors.Join(err, source.Close()) }()
	listener, err := prepare.NewListener(&f.Known, names)
	if err != nil {
		return unreadable(err, "")
	}
	if a.Terminal {
		fmt.Fprintf(a.Err, "listening to %s for %s\n", strings.Join(names, ", "), listen)
	}
	begun := a.Now()
	until, stop := context.WithTimeout(ctx, listen)
	defer stop()
	batch := capture.NewBatch()
	for {
		err := source.Next(until, batch)
		if until.Err() != nil && ctx.Err() == nil {
			f.Heard = listener.Heard(a.Now().Sub(begun))
			return nil
		}
		if err != nil {
			return err
		}
		listener.Take(batch)
	}
}

// tryFolder makes a file in the folder and takes it away again.
func tryFolder(folder string) prepare.Folder {
	f := prepare.Folder{Path: folder}
	f.Disk, f.DiskErr = host.DiskAt(folder)
	file, err := os.CreateTemp(folder, ".ridewitness-*")
	if err == nil {
		_, err = file.WriteString("a file to try whether one can be written\n")
		err = errors.Join(err, file.Sync(), file.Close(), os.Remove(file.Name()))
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		err = path.Err // the file has a name that nobody gave
	}
	f.WriteErr = err
	return f
}

// tryBell rings the terminal's bell and asks whether it was heard.
func (a *App) tryBell(ctx context.Context, format string) (prepare.Sound, error) {
	in, isFile := a.In.(*os.File)
	if !a.Terminal || !isFile || !term.IsTerminal(int(in.Fd())) {
		return prepare.Sound{Why: "no terminal"}, nil
	}
	if format == "json" {
		return prepare.Sound{Why: "nobody is asked where JSON is wanted"}, nil
	}
	fmt.Fprint(a.Err, "\aThe bell rang just now. Did you hear it? y or n, then ENTER: ")
	answer := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(in).ReadString('\n')
		answer <- strings.ToLower(strings.TrimSpace(line))
	}()
	select {
	case <-ctx.Done():
		return prepare.Sound{}, ctx.Err()
	case word := <-answer:
		switch word {
		case "y", "yes":
			return prepare.Sound{Tested: true, Heard: true}, nil
		case "n", "no":
			return prepare.Sound{Tested: true}, nil
		default:
			return prepare.Sound{Why: "nobody said y or n"}, nil
		}
	}
}
