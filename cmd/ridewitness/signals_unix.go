//go:build unix

package main

import (
	"os"
	"os/signal"
	"syscall"

	"ridewitness/replay/live"
)

// takeSignals lets a desk answer the signals of somebody at the keyboard: an interrupt asks, a stop is
// refused. A terminal or a pipe that goes away ends no recording. SIGTERM still does, by the context. The
// function that is returned gives them back.
func takeSignals(desk *live.Desk) func() {
	signal.Reset(os.Interrupt)
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTSTP, syscall.SIGHUP, syscall.SIGPIPE)
	done := make(chan struct{})
	go func() {
		for {
			select {
			case <-done:
				return
			case s := <-signals:
				switch s {
				case os.Interrupt:
					desk.Interrupt()
				case syscall.SIGTSTP:
					desk.Suspend()
				}
			}
		}
	}()
	return func() {
		signal.Stop(signals)
		close(done)
	}
}
