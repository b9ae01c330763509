//go:build !unix

package main

import (
	"os"
	"os/signal"

	"ridewitness/replay/live"
)

// takeSignals lets a desk answer an interrupt: it asks. The function that is returned gives it back.
func takeSignals(desk *live.Desk) func() {
	signal.Reset(os.Interrupt)
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt)
	done := make(chan struct{})
	go func() {
		for {
			select {
			case <-done:
				return
			case <-signals:
				desk.Interrupt()
			}
		}
	}()
	return func() {
		signal.Stop(signals)
		close(done)
	}
}
