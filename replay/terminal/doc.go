// Package terminal shows a session in a terminal: whether anything is known against letting the body
// down, then the four corners, then what happened last.
//
//	Pipeline --Follower--> State --Draw(width, height)--> Picture --Screen--> terminal
//	                         |
//	                         +--Lines--> one sentence a line, for pipes and screen readers
//
// The invariant: a picture is a function of the state and the size, and nothing else. Whatever the
// size, it says the state, the origin, the standing line or the warning, and the caution. What is
// not fresh stands as dashes; no sentence ever says that the body may come down.
//
// Rows are written by the package itself, beside golang.org/x/term, with no framework: an alarm must
// go out first, in one write, by a writer that no picture can hold up, and pictures must be dropped
// when the terminal does not take them.
//
// The package judges nothing and marks nothing.
package terminal
