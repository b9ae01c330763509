// Package live shows a session while it is made, sounds what must be heard, and puts on record what
// hands did and what was said to them.
//
//	Recorder --Listen--> Desk --> Follower --> State --> screen, lines, page
//	   ^                  | ^
//	   |                  | +-- keys
//	   +--- marks, warnings, blindness, answers: Journal
//
// The invariant: a desk holds nobody up. The recorder does not wait for it, its judge does not wait for
// a screen, and a warning goes out before any picture. What it puts on record changes no verdict: the
// judge hears marks, wherever they come from, and nothing else of it.
//
// What the keys mean stands in terminal.LiveKeys. The package opens no bus and writes no session.
package live
