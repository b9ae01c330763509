// Command ridewitness records, judges and replays what a vehicle network says while air springs
// are bled, renewed and filled.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	os.Exit(run())
}

func run() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// After the first interrupt the default comes back: a second one ends at once.
	context.AfterFunc(ctx, stop)
	return newApp(os.Stdin, os.Stdout, os.Stderr).main(ctx, os.Args[1:])
}
