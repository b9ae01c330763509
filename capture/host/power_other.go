//go:build !linux

package host

// PowerNow says ErrUnknown: only Linux is asked.
func PowerNow() (Power, error) { return Power{}, ErrUnknown }
