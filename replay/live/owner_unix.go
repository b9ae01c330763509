//go:build unix

package live

import (
	"io/fs"
	"os"
	"syscall"
)

// onlyMine reports whether a folder belongs to this user, and nobody else may enter it.
func onlyMine(info fs.FileInfo) bool { return mine(info) && info.Mode().Perm()&0o077 == 0 }

// mine reports whether a file belongs to this user.
func mine(info fs.FileInfo) bool {
	owner, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(owner.Uid) == os.Getuid()
}
