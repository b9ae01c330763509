// Package handover says at a change of shift what is still open in a spring job: what must not be
// lowered, which lines are open, what was bled and not filled, what the control unit refused, of what
// nothing is seen, what was only said.
//
//	session --> Pipeline --> terminal.Follower --State at the session's end--+
//	   |                                                                     +--> Report --> text, JSON
//	   +------> requests, findings, marks, seals ----------------------------+
//
// The sentences are those of the screen that the one who hands over has seen.
//
// The invariant: a report speaks of the end of its session and of no later moment, and says so. What is
// missing, blind, cut off or altered there is 'cannot tell'; where nothing is known against lowering it
// says that this is no proof. It judges nothing itself and keeps no time: what time it is, is handed in.
package handover
