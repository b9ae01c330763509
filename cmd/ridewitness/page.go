package main

import (
	"context"
	"fmt"
	"strconv"

	"ridewitness/replay/secondscreen"
	"ridewitness/replay/terminal"
)

// anyPort is what --page means without a port.
const anyPort = "0"

// openPage serves the page of a recording on the loopback address, and returns what ends it. Without a
// port nothing is served.
func (a *App) openPage(ctx context.Context, port string, state func() terminal.State) (end func(), err error) {
	if port == "" {
		return func() {}, nil
	}
	number, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return nil, usage("--page=8080, or --page for a port that is free", "--page: %q is no port", port)
	}
	server, err := secondscreen.New(state)
	if err != nil {
		return nil, err
	}
	l, err := secondscreen.Listen(uint16(number))
	if err != nil {
		return nil, unreadable(err, "give another port, or --page alone for one that is free")
	}
	fmt.Fprintf(a.Err, "page: %s\n", secondscreen.URL(l))
	serving, stop := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- server.Serve(serving, l) }()
	return func() {
		stop()
		if err := <-done; err != nil {
			fmt.Fprintf(a.Err, "the page ended early: %v\n", err)
		}
	}, nil
}
