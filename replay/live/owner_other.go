//go:build !unix

package live

import "io/fs"

// onlyMine relies on the folder for temporary files, which is the user's own here.
func onlyMine(fs.FileInfo) bool { return true }

// mine is not known there.
func mine(fs.FileInfo) bool { return false }
