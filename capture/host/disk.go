package host

import (
	"fmt"
	"math"
	"math/bits"
)

// Disk is the room of the file system that holds a path, in bytes. The zero value is unknown.
type Disk struct {
	Free  uint64 // that the user of this process may still write; what is kept for root is not counted
	Total uint64 // that the file system has, or that a quota gives the user where the system says so
}

// DiskAt returns the room of the file system that holds path, which must exist. Where the system can't
// be asked the error is ErrUnknown.
func DiskAt(path string) (Disk, error) {
	d, err := diskAt(path)
	if err != nil {
		return Disk{}, fmt.Errorf("room on the disk of %q: %w", path, err)
	}
	return d, nil
}

// sizeOf multiplies a number of blocks by their size. Some systems say a number below zero where a disk
// is filled into what is kept for root: nothing is left then. What does not fit is the greatest number.
func sizeOf[N, S int64 | uint64 | uint32](blocks N, size S) uint64 {
	if blocks < 0 || size < 0 {
		return 0
	}
	over, all := bits.Mul64(uint64(blocks), uint64(size))
	if over != 0 {
		return math.MaxUint64
	}
	return all
}
