package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/term"
)

// App is what the commands share: streams, clock and logger. It is built once, in main.
type App struct {
	In       io.Reader
	Out, Err io.Writer
	Now      func() time.Time
	Log      zerolog.Logger
	Terminal bool // Out is a terminal that moves its cursor
	Colour   bool
	Width    int // columns of Out
	Height   int // rows of Out

	showing bool // a progress line stands on Err
}

const defaultWidth, defaultHeight = 80, 24

// newApp looks at the streams and the environment: NO_COLOR, TERM=dumb and pipes are respected.
func newApp(in io.Reader, out, errs *os.File) *App {
	a := &App{In: in, Out: out, Err: errs, Now: time.Now, Width: defaultWidth, Height: defaultHeight}
	a.Log = zerolog.New(zerolog.ConsoleWriter{Out: errs, NoColor: true, PartsExclude: []string{zerolog.TimestampFieldName}}).Level(zerolog.WarnLevel)
	if term.IsTerminal(int(out.Fd())) {
		a.Terminal = os.Getenv("TERM") != "dumb"
		if w, h, err := term.GetSize(int(out.Fd())); err == nil && w > 0 {
			a.Width, a.Height = w, h
		}
	} else if columns, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && columns >= 20 {
		a.Width = columns
	}
	a.Colour = a.Terminal && os.Getenv("NO_COLOR") == ""
	return a
}

// main runs one command line and returns the exit status.
func (a *App) main(ctx context.Context, args []string) int {
	root := newRootCommand(a)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if text := message(err); text != "" {
		fmt.Fprintln(a.Err, "ridewitness: "+text)
	}
	return status(err)
}
