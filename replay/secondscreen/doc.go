// Package secondscreen shows a recording, while it is made, on a page of a browser: large, for
// somebody who stands at the lift.
//
//	recorder --state--> Server --newest snapshot--> up to eight pages
//	                                                (a slow one misses what was in between)
//
// The invariant: nothing goes from a page to the recorder. The server answers GET only and holds no
// way to mark or to silence; it asks for a state, never more often than at its own beat however many
// pages look, and the recorder never waits for any of them.
//
// All sentences are those of package terminal. The page covers itself without news, as package page
// says, and when it was told that the recording has ended; it listens on the loopback address and nowhere else.
package secondscreen
