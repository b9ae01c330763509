package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ridewitness/replay/classroom"
	"ridewitness/safety/review"
)

type classOptions struct {
	known     knownFlags
	lesson    string
	draft     string
	port      int
	address   string
	open      bool
	showLabel bool
}

func newClassCommand(a *App) *cobra.Command {
	var o classOptions
	cmd := &cobra.Command{
		Use:     "class [FILE]",
		GroupID: groupClass,
		Short:   "Replay to a class: stop, ask, reveal; the shipped lessons bring their session",
		Long: `Replay a session to a class: it stops at the moments that matter, asks, and reveals. It prints the address
of the trainer's page, which steers and opens on this machine only, and of the projector's. With
--open-to-students phones on the same network may join: they read and answer, nothing else, and nothing
they are sent holds an answer before the reveal.

Shipped lessons: ` + strings.Join(classroom.Names(), ", ") + `. 'ridewitness class --lesson early' needs
nothing else. --draft writes a lesson from what the rules found in a session, to be made better by hand.`,
		Args: atMost("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			file := ""
			if len(args) > 0 {
				file = args[0]
			}
			return a.class(cmd.Context(), file, o)
		},
	}
	o.known.bind(cmd.Flags())
	flags := cmd.Flags()
	flags.StringVar(&o.lesson, "lesson", "", "a lesson file, or one that is shipped: "+strings.Join(classroom.Names(), ", "))
	flags.StringVar(&o.draft, "draft", "", "write a lesson of FILE's findings to this file and end")
	flags.IntVar(&o.port, "port", 8717, "port of the pages; 0 takes one that is free")
	flags.BoolVar(&o.open, "open-to-students", false, "let phones on the network in")
	flags.StringVar(&o.address, "address", "", "this machine's address on the students' network; without it the first one that fits")
	flags.BoolVar(&o.showLabel, "show-label", false, "show the vehicle's label although the session comes from a vehicle")
	return cmd
}

// atMost demands no more than the named arguments.
func atMost(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > len(names) {
			return usage("use: "+cmd.UseLine(), "%q is one word too many", args[len(names)])
		}
		return nil
	}
}

func (a *App) class(ctx context.Context, file string, o classOptions) error {
	lesson, err := loadLesson(o.lesson)
	if err != nil {
		return err
	}
	if o.address != "" && !o.open {
		return usage("add --open-to-students", "--address: beyond this machine the pages are opened only on purpose")
	}
	course, plays, err := a.course(ctx, file, lesson, o)
	if err != nil {
		return err
	}
	if o.draft != "" {
		return a.writeTo(o.draft, func(w io.Writer) error {
			_, err := io.WriteString(w, classroom.Draft(course, plays))
			return err
		})
	}
	room, err := classroom.NewRoom(lesson, course)
	if err != nil {
		return unreadable(err, "'ridewitness review' says what happens in the session, and when")
	}
	return a.serveClass(ctx, room, o)
}

// loadLesson returns a shipped lesson or the one in a file, nil where none is named.
func loadLesson(name string) (*classroom.Lesson, error) {
	if name == "" {
		return nil, nil
	}
	for _, shipped := range classroom.Names() {
		if shipped == name {
			return classroom.Builtin(name)
		}
	}
	lesson, err := classroom.LoadFile(name)
	return lesson, unreadable(err, "shipped are "+strings.Join(classroom.Names(), ", "))
}

// course reads the session that the class sees: the file, or what the lesson plays.
func (a *App) course(ctx context.Context, file string, lesson *classroom.Lesson, o classOptions) (*classroom.Course, classroom.Plays, error) {
	plays := classroom.Plays{Session: file}
	if file == "" && lesson != nil {
		plays = lesson.Plays
		file = plays.Session
	}
	if plays.Scenario != "" {
		in, err := classroom.ScenarioInput(plays)
		if err != nil {
			return nil, plays, unreadable(err, "")
		}
		course, err := classroom.Watch(ctx, in)
		return course, plays, err
	}
	if file == "" {
		return nil, plays, usage("class FILE, or class --lesson "+classroom.Names()[0], "no session: neither a file nor a lesson that brings one")
	}
	s, err := a.open(ctx, file)
	if err != nil {
		return nil, plays, err
	}
	defer s.close()
	k, err := o.known.load(s.record)
	if err != nil {
		return nil, plays, err
	}
	course, err := classroom.Watch(ctx, classroom.Input{Source: s.source, Signals: k.signals, Card: k.card, ShowLabel: o.showLabel, Progress: a.progress()})
	a.progressDone()
	if err != nil {
		return nil, plays, a.readError(err)
	}
	return course, plays, nil
}

// serveClass runs the pages until somebody ends the class.
func (a *App) serveClass(ctx context.Context, room *classroom.Room, o classOptions) error {
	host, bind := "127.0.0.1", "127.0.0.1"
	if o.open {
		bind = ""
		if host = o.address; host == "" {
			host = ownAddress()
		}
	}
	port := strconv.Itoa(o.port)
	l, err := net.Listen("tcp", net.JoinHostPort(bind, port))
	if err != nil {
		return usage("choose another with --port", "port %s can't be opened: %w", port, reason(err))
	}
	_, port, _ = net.SplitHostPort(l.Addr().String()) // --port 0 leaves the choice to the system
	server, err := classroom.NewServer(room, classroom.Options{Address: net.JoinHostPort(host, port), Open: o.open})
	if err != nil {
		l.Close()
		return usage("give this machine's address with --address", "%w", err)
	}
	fmt.Fprintf(a.Out, "trainer   %s\nprojector %s\n", server.TrainerURL(), server.BoardURL())
	if o.open {
		fmt.Fprintf(a.Out, "students  %s\n", server.JoinURL())
	} else {
		fmt.Fprintln(a.Out, "students  nobody can join: a rehearsal. --open-to-students lets phones on the network in")
	}
	fmt.Fprintf(a.Out, "The trainer's address steers the class: keep it off the wall. Ctrl-C ends.\n\n%s\n", review.Caution)
	if err := server.Serve(ctx, l); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// reason takes the operation out of a network error: 'listen tcp 127.0.0.1:80: bind: permission denied'
// says no more than 'bind: permission denied'.
func reason(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}

// ownAddress returns the first address of this machine that phones can reach.
func ownAddress() string {
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return "127.0.0.1"
	}
	for _, a := range addresses {
		if ip, ok := a.(*net.IPNet); ok && ip.IP.To4() != nil && !ip.IP.IsLoopback() && !ip.IP.IsLinkLocalUnicast() {
			return ip.IP.String()
		}
	}
	return "127.0.0.1"
}
