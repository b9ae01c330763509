// Package replay plays a session again with the spacing in which it was recorded.
//
//	Source --Next--> Player --waits by a Clock--> Take(batch), in order
//	                   |
//	                   +-- From, To, Stops, Pace: where it begins, ends, halts, and how fast it runs
//
//	position                               speed 4
//	   |                                 /         the position is a straight line between two
//	   |                      paused   /           changes of speed; deadlines are read off that
//	   |            speed 1  _______ /             line, so lateness never adds up
//	   |        ____--------
//	   +------------------------------------> wall clock
//
// The invariant: every frame and event is handed on once, whole and in the order of the source,
// whatever the speed, the pauses and the jumps. So a judge that is fed by a Player says the same at
// any speed. A jump forward hands on what it jumps over without waiting.
//
// The package knows no screen and opens no socket. Where frames may be sent is not decided here.
package replay
