package host

import "golang.org/x/sys/unix"

// diskAt asks by statfs(2). Blocks are counted in fragments; the block size is what is best to write at
// once, and some file systems have another one.
func diskAt(path string) (Disk, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return Disk{}, err
	}
	size := int64(s.Frsize)
	if size == 0 {
		size = int64(s.Bsize)
	}
	return Disk{Free: sizeOf(s.Bavail, size), Total: sizeOf(s.Blocks, size)}, nil
}
