package main

import (
	"context"
	"fmt"
	"net"
	"strconv"

	"ridewitness/replay/secondscreen"
	"ridewitness/replay/terminal"
)

// anyPort is what --page means without a port.
const anyPort = "0"

// browserPage is the page of a recording, on the loopback address. The zero page is none.
type browserPage struct {
	listener net.Listener
	address  string
}

// openPage takes a port for the page; "" is for none.
func (a *App) openPage(port string) (browserPage, error) {
	if port == "" {
		return browserPage{}, nil
	}
	number, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return browserPage{}, usage("--page=8080, or --page for a port that is free", "--page: %q is no port", port)
	}
	l, err := secondscreen.Listen(uint16(number))
	if err != nil {
		return browserPage{}, unreadable(err, "give another port, or --page alone for one that is free")
	}
	p := browserPage{l, secondscreen.URL(l)}
	fmt.Fprintf(a.Err, "page: %s\n", p.address)
	return p, nil
}

// close gives the port back, of a page that was never served too.
func (p browserPage) close() {
	if p.listener != nil {
		p.listener.Close()
	}
}

// serve shows what state returns, until the function is called that it returns.
func (p browserPage) serve(ctx context.Context, state func() terminal.State) (end func() error, err error) {
	if p.listener == nil {
		return func() error { return nil }, nil
	}
	server, err := secondscreen.New(state)
	if err != nil {
		return nil, err
	}
	serving, stop := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- server.Serve(serving, p.listener) }()
	return func() error { stop(); return <-done }, nil
}
