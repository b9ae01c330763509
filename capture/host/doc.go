// Package host says what a recording must know of the machine that it runs on: how much room its disk
// has, whether it lives on its battery, whether somebody keeps its clock right.
//
//	statfs(2), GetDiskFreeSpaceEx  ->  Disk
//	/sys/class/power_supply        ->  Power
//	adjtimex(2)                    ->  Clock
//
// The invariant: a zero value means that nobody knows. What the machine does not say, or says in a way
// that can't be believed, never reads as room on the disk, as mains power or as a clock that is kept.
package host

import "errors"

// ErrUnknown says that this package can't ask the system for it.
var ErrUnknown = errors.New("not known on this system")
