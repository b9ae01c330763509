// Package capture says what one recording of a vehicle network is made of: frames, the events
// between them, and the sources that yield both.
//
//	Source --Batch--> decode --samples--> safety
//	          |
//	          +-- Frames []Frame   what was on the buses, in the order in which it was kept
//	          +-- Events []Event   marks, losses, bus names, damage; each says where among the frames it lies
//
// A live bus, a file, a simulation and a replay are all a Source. What comes after one can't tell
// which it is, so a rule can't know whether it judges live or afterwards.
//
// The invariant: frames and events are values, a Source allocates nothing per frame, and time comes
// only from the Stamps that the frames carry.
//
// The package knows no definitions, no rules and no file format. Frame bits follow ISO 11898-1;
// identifiers are those of its base (11 bit) and extended (29 bit) format.
package capture
