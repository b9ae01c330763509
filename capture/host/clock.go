package host

// Clock says whether somebody keeps the wall clock right. The zero value is unknown.
type Clock struct {
	Known        bool
	Synchronised bool // the kernel is told by a time service that the clock is right
}
