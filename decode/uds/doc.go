// Package uds reads what a tester asks and a control unit answers, as ISO 14229-1 writes it, and says
// of each request what became of it.
//
//	31 01 03 01 ---------------------------->           asked
//	                 <----------------- 7F 31 78        pending: not an answer yet
//	                 <-------------- 71 01 03 01        accepted, 4 s later
//	3E 80 ---------------------------------->           silent: none was due
//
// A Dialogue follows one address pair. It is fed messages, which another package joined from frames,
// and hands out an Exchange for each request once its fate is known.
//
// The invariant: 'refused' and 'no answer' are said only where an answer was due and could have been
// seen. What frames were lost around is Unknown.
//
// It follows ISO 14229-1:2020 and the timing of ISO 14229-2. It sends nothing, decodes no value, and
// does not know any data identifier or routine: lengths come from the caller, meanings stay with it.
// An accepted start of a routine says that it began, not that it worked.
package uds
