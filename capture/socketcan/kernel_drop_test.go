//go:build linux

package socketcan_test

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// dropper carries frames between two links both ways and lets some fall.
type dropper struct {
	ends  [2]int // sockets
	falls func(id uint32, n uint64, frame []byte) bool
	seen  map[uint32]uint64
	log   []carried // what came over ends[0]
	ended chan error
}

// carried is one frame that came to the dropper.
type carried struct {
	id      uint32
	data    []byte
	dropped bool
}

// newDropper joins two links. The n-th frame of an identifier falls where falls says so; the end
// frame never does.
func newDropper(t *testing.T, one, other string, falls func(id uint32, n uint64, frame []byte) bool) *dropper {
	t.Helper()
	d := &dropper{
		ends:  [2]int{rawSocket(t, one), rawSocket(t, other)},
		falls: falls,
		seen:  make(map[uint32]uint64),
		ended: make(chan error, 1),
	}
	go func() { d.ended <- d.run() }()
	return d
}

// run carries frames until the end frame has come over the first link.
func (d *dropper) run() error {
	poll := []unix.PollFd{{Fd: int32(d.ends[0]), Events: unix.POLLIN}, {Fd: int32(d.ends[1]), Events: unix.POLLIN}}
	for {
		if _, err := unix.Poll(poll, -1); err != nil && err != unix.EINTR {
			return err
		}
		for i := range poll {
			if poll[i].Revents&unix.POLLIN == 0 {
				continue
			}
			if last, err := d.carry(i); last || err != nil {
				return err
			}
		}
	}
}

// carry takes one frame from a link to the other.
func (d *dropper) carry(from int) (last bool, err error) {
	b := make([]byte, fdFrameLength)
	n, err := unix.Read(d.ends[from], b)
	if err != nil {
		return false, err
	}
	id := binary.NativeEndian.Uint32(b)
	dropped := id != endID && d.falls(id, d.seen[id], b[8:8+b[4]])
	d.seen[id]++
	if from == 0 {
		d.log = append(d.log, carried{id, b[8 : 8+b[4]], dropped})
	}
	if !dropped {
		if _, err = unix.Write(d.ends[1-from], b[:n]); err != nil {
			return false, err
		}
	}
	return id == endID, nil
}

// wait returns what came over the first link, without the end frame.
func (d *dropper) wait(t *testing.T) []carried {
	t.Helper()
	require.NoError(t, <-d.ended)
	return d.log[:len(d.log)-1]
}

// oneIn makes one frame in rate fall. It depends on nothing but the identifier and the count of the
// frame, so it is the same in every run, whatever else is on the link.
func oneIn(rate, seed uint64) func(id uint32, n uint64, frame []byte) bool {
	return func(id uint32, n uint64, _ []byte) bool {
		x := seed ^ uint64(id)<<32 ^ n
		for range 2 { // the mixing steps of splitmix64 (Steele, Lea, Flood 2014)
			x += 0x9E3779B97F4A7C15
			x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
			x = (x ^ x>>27) * 0x94D049BB133111EB
			x ^= x >> 31
		}
		return x%rate == 0
	}
}

// drain returns what a kernel socket has received so far, past the errors that it reports between.
func drain(t *testing.T, socket, most int) [][]byte {
	t.Helper()
	var all [][]byte
	b := make([]byte, most+1)
	for {
		n, _, err := unix.Recvfrom(socket, b, unix.MSG_DONTWAIT)
		switch err {
		case nil:
			all = append(all, append([]byte(nil), b[:n]...))
		case unix.EAGAIN:
			return all
		case unix.EILSEQ, unix.ETIMEDOUT, unix.EBADMSG, unix.ECOMM, unix.EINTR:
		default:
			require.NoError(t, err)
		}
	}
}
