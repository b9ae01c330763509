//go:build linux

package kerneltest

import (
	"bytes"
	"fmt"
)

// archive is a file system that the kernel unpacks into its memory at boot: cpio in the 'new ASCII'
// format, which Documentation/driver-api/early-userspace/buffer-format.rst of the kernel describes.
type archive struct {
	bytes.Buffer
	inode int
}

// File types of st_mode (inode(7)).
const (
	modeFolder = 0o040000
	modeFile   = 0o100000
)

func (a *archive) folder(name string) { a.entry(name, modeFolder|0o755, nil) }

func (a *archive) file(name string, body []byte) { a.entry(name, modeFile|0o755, body) }

// end closes the archive.
func (a *archive) end() { a.entry("TRAILER!!!", 0, nil) }

// entry appends a header of 13 fields of eight digits after the magic number, the name and the
// body. Both are padded to four bytes.
func (a *archive) entry(name string, mode int, body []byte) {
	a.inode++
	a.WriteString("070701")
	for _, field := range [...]int{
		a.inode, mode, 0, 0, // user, group
		1, 0, len(body), // links, time
		0, 0, 0, 0, // the devices' numbers
		len(name) + 1, 0, // with its final zero byte; no checksum
	} {
		fmt.Fprintf(a, "%08X", field)
	}
	a.WriteString(name)
	a.WriteByte(0)
	a.pad()
	a.Write(body)
	a.pad()
}

func (a *archive) pad() {
	for a.Len()%4 != 0 {
		a.WriteByte(0)
	}
}
