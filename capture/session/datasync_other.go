//go:build !linux

package session

import "os"

func dataSync(f *os.File) error { return f.Sync() }
