//go:build darwin || freebsd

package host

import "golang.org/x/sys/unix"

// diskAt asks by statfs(2).
func diskAt(path string) (Disk, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return Disk{}, err
	}
	return Disk{Free: sizeOf(s.Bavail, s.Bsize), Total: sizeOf(s.Blocks, s.Bsize)}, nil
}
