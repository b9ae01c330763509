//go:build !unix

package terminal

import (
	"os"
	"time"
)

// waitReadable can't wait here: the read that follows does, until the next key.
func waitReadable(*os.File, time.Duration) (bool, error) { return true, nil }
