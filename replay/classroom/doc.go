// Package classroom replays a session to a class: it stops at the moments that matter, asks, and
// reveals.
//
//	Lesson (YAML) --+                        +--> board page (projector; with the bar: the trainer)
//	                +--> Room --> Server ----+
//	Source --> Course                        +--> phone page (a student)
//
// A Course is what the pages may ever show of a session. A Lesson says where to stop and what to
// ask there. The Room is the state of one class; the Server lets browsers look at it.
//
// The invariant: nothing that leaves the Room before a question is revealed depends on its answer,
// and no sample later than a stop leaves it before that stop's question was revealed or skipped.
// So every message is built from the room's state by one function per page, and what must not be
// told yet is not in the structure that is written, rather than hidden by the page.
//
// Students may read and answer, nothing else. No name, no address and no cookie is kept: a seat is
// a random number that the browser forgets with its tab.
//
// Server-sent events are those of the HTML standard (text/event-stream), the square code is a QR
// code (ISO/IEC 18004). The package opens no file and no bus, and never sends a frame.
package classroom
