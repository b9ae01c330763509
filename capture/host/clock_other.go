//go:build !linux

package host

// ClockNow can't ask here.
func ClockNow() Clock { return Clock{} }
