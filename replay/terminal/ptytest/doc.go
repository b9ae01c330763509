// Package ptytest gives tests a terminal of the kernel, where there is one.
package ptytest
