//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package session

import "os"

// lock does nothing where the system has no advisory lock.
func lock(*os.File) error { return nil }

// unlocked is never certain there.
func unlocked(*os.File) bool { return false }
