// Package safety judges a spring job: it follows the vehicle through its signals and marks, and
// lets each rule say held, broken or cannot tell, with the evidence.
//
//	samples, marks, losses
//	        |
//	     Judge ----> Vehicle    what is known of the body: standing, hanging, closing, air moves
//	        |           |
//	        |       happenings
//	        v           v
//	     Watcher per rule and corner --verdicts--> Judge --checks--> findings
//
// One forward pass with bounded state serves live and afterwards; a rule can't know which it is.
// It takes its time from samples only.
//
// The invariant: what is missing, invalid, stale, contradicted or beyond a gap never becomes
// "held". A rule can't forget that, since it is the Judge and not the rule that checks every
// signal a verdict rests on. The zero Outcome is CannotTell.
//
// The numbers of the rules and where each comes from stand in RULES.md beside this file, the ways
// in which the tool could hurt somebody in HAZARDS.md.
package safety
