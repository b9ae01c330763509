//go:build !linux || !amd64

package main

// programs are what this binary is besides, by the name under which it is started.
var programs map[string]func(args []string) (exit int)
