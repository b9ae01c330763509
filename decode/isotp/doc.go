// Package isotp joins the frames of ISO 15765-2 into the messages that a tester and a control unit
// exchange, as somebody who only listens.
//
//	tester 0x6D4   03 22 2B 01            30 00 0A (go on, 10 ms apart)
//	                       \              /            \
//	unit   0x6DC            10 14 62 2B 01 ..   21 ..   22 ..   --> Message, 20 bytes, 3 packets
//
// A Listener knows the address pairs it was given, looks at nothing else, and keeps at most one open
// transfer per direction of a pair. Discovery, which knows no pair, guesses them.
//
// The invariant: a Message is whole. A transfer that lacks a frame, or may lack one, is told as an
// Incomplete and never joined over the gap.
//
// It follows ISO 15765-2 (2016 and later: classic and FD frames, escape lengths; normal, extended
// and mixed addressing). Normal fixed addressing is normal addressing under identifiers that happen
// to be fixed, and is given as such: such identifiers look like SAE J1939 groups and can't be told
// from them by looking. The package sends nothing, answers nothing, and does not know what a payload
// means. Time comes from the frames' stamps.
package isotp
