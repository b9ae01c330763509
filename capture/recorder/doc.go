// Package recorder keeps what a capture.Source yields in session files, whatever disk, judge and view
// do meanwhile.
//
//	Source --pump--> tape ==+== scribe --> session.Writer --> file <-- syncer
//	                  ^     |
//	      marks, seals      +== Next --> judge and view
//
// Four owners: the pump takes from the source and waits for nobody; the scribe writes, flushes what there is
// ten times a second and seals every few seconds; the syncer asks the disk, at most a second apart;
// who calls Next judges. Between them lies the tape, a ring of frames with a place for each of its two
// readers. A reader that falls behind by more than the ring loses the oldest frames and is told how
// many of which bus; the other one loses nothing.
//
// The scribe's place on the tape moves on when something is written, but what is not yet on the disk
// stays on the tape as long as there is room. When a write or a sync fails, that is final for the file:
// the next file begins with what was not on the disk for certain.
//
// The invariant: every frame that the source yields is in a file, or in a count of lost ones that is in
// a file, and neither the disk nor who judges can hold up the other.
//
// The package decodes nothing and judges nothing.
package recorder
