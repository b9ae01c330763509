//go:build !(linux || darwin || freebsd || windows)

package host

// diskAt can't ask.
func diskAt(string) (Disk, error) { return Disk{}, ErrUnknown }
