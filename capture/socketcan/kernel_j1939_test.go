//go:build linux

package socketcan_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/socketcan/kerneltest"
	"ridewitness/decode/j1939"
)

// What a J1939 socket is bound to when it takes every group (linux/can/j1939.h).
const anyGroup = 0x40000

// longestGroup is the most that the transport protocol carries (SAE J1939-21).
const longestGroup = 1785

// unit is one of the kernel's J1939 sockets with an address. It takes no broadcasts.
func unit(t *testing.T, link string, address uint8) int {
	t.Helper()
	socket, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, unix.CAN_J1939)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(socket) })
	require.NoError(t, unix.SetsockoptTimeval(socket, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 10}))
	require.NoError(t, unix.Bind(socket, &unix.SockaddrCANJ1939{
		Ifindex: linkIndex(t, link), PGN: anyGroup, Addr: address,
	}))
	return socket
}

// crier is a unit that sends broadcasts and takes them.
func crier(t *testing.T, link string, address uint8) int {
	t.Helper()
	socket := unit(t, link, address)
	require.NoError(t, unix.SetsockoptInt(socket, unix.SOL_SOCKET, unix.SO_BROADCAST, 1))
	return socket
}

// parcel is one group of several packets.
type parcel struct {
	group               uint32
	source, destination uint8
	payload             string
}

// pick returns random bytes that fit no single frame.
func pick(random *rand.Rand, longest int) string {
	payload := make([]byte, 9+random.IntN(longest-8))
	for i := range payload {
		payload[i] = byte(random.Uint32())
	}
	return string(payload)
}

// post hands a parcel to the kernel.
func post(socket, link int, p parcel) error {
	return unix.Sendto(socket, []byte(p.payload), 0, &unix.SockaddrCANJ1939{
		Ifindex: link, PGN: p.group, Addr: p.destination,
	})
}

// sender is who sends to whom.
type sender struct{ source, destination uint8 }

// heard gives a message as the parcel it was.
func heard(m *j1939.Message) (sender, parcel) {
	p := parcel{m.Group, m.Source, m.Destination, string(m.Payload)}
	return sender{m.Source, m.Destination}, p
}

// Everything that the kernel's own J1939 sends in several packets, to one unit or to all, comes out
// of our listener byte for byte and in order.
func TestKernelJ1939Transfers(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const pairs, times, callers, calls, seed = 24, 60, 24, 3, 3
		kerneltest.AddLink(t, "vcan0", "vcan")
		link := linkIndex(t, "vcan0")
		tap := newTap(t, "vcan0")

		var work sync.WaitGroup
		var guard sync.Mutex
		sent := make(map[sender][]parcel)
		var faults []error
		keep := func(p parcel, err error) {
			guard.Lock()
			defer guard.Unlock()
			if err != nil {
				faults = append(faults, fmt.Errorf("%02X to %02X: %w", p.source, p.destination, err))
			}
			key := sender{p.source, p.destination}
			sent[key] = append(sent[key], p)
		}
		for n := range pairs {
			from, to := uint8(0x10+n), uint8(0x40+n)
			source, target := unit(t, "vcan0", from), unit(t, "vcan0", to)
			random := rand.New(rand.NewPCG(seed, uint64(n)))
			work.Go(func() {
				got := make([]byte, longestGroup+1)
				for range times {
					longest := 200
					if random.IntN(8) == 0 {
						longest = longestGroup
					}
					p := parcel{uint32(random.IntN(0xC0)) << 8, from, to, pick(random, longest)}
					err := post(source, link, p)
					if err == nil {
						var size int
						if size, err = unix.Read(target, got); err == nil && string(got[:size]) != p.payload {
							err = fmt.Errorf("the kernel's own receiver got other bytes")
						}
					}
					keep(p, err)
				}
			})
		}
		everybody := crier(t, "vcan0", 0xA0)
		for n := range callers { // 50 ms between the packets of a broadcast: few and short ones
			from := uint8(0x70 + n)
			source := crier(t, "vcan0", from)
			random := rand.New(rand.NewPCG(seed, uint64(1000+n)))
			work.Go(func() {
				for range calls {
					p := parcel{0xFE00 | uint32(random.IntN(256)), from, j1939.AllAddress, pick(random, 90)}
					keep(p, post(source, link, p))
				}
			})
		}
		for range callers * calls {
			_, err := unix.Read(everybody, make([]byte, longestGroup+1))
			require.NoError(t, err)
		}
		work.Wait()
		require.Empty(t, faults)
		send(t, rawSocket(t, "vcan0"), classicFrame(endID))

		var listener j1939.Listener
		listener.Watch(0)
		got := make(map[sender][]parcel)
		frames := tap.all(t)
		for i := range frames {
			if m := listener.Feed(&frames[i]); m != nil {
				key, p := heard(m)
				got[key] = append(got[key], p)
			}
			for _, gone := range listener.Incompletes() {
				t.Errorf("%02X to %02X: %v", gone.Source, gone.Destination, &gone)
			}
		}
		require.Equal(t, sent, got)
		counts := listener.Counts()
		require.EqualValues(t, pairs*times+callers*calls, counts.Messages)
		require.Zero(t, counts.Incomplete)
		require.Zero(t, counts.Malformed)
		t.Logf("%d messages in %d frames", counts.Messages, len(frames))
	})
}

// A message of more than 1785 bytes goes by the extended protocol, which our listener names.
func TestKernelJ1939ExtendedIsNamed(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		tap := newTap(t, "vcan0")
		source, target := unit(t, "vcan0", 0x10), unit(t, "vcan0", 0x40)
		long := string(bytes.Repeat([]byte{7}, longestGroup+1))
		require.NoError(t, post(source, linkIndex(t, "vcan0"), parcel{0xEF00, 0x10, 0x40, long}))
		size, err := unix.Read(target, make([]byte, 4000))
		require.NoError(t, err)
		require.Equal(t, len(long), size)
		send(t, rawSocket(t, "vcan0"), classicFrame(endID))

		var listener j1939.Listener
		listener.Watch(0)
		var reasons []j1939.Reason
		frames := tap.all(t)
		for i := range frames {
			require.Nil(t, listener.Feed(&frames[i]))
			for _, gone := range listener.Incompletes() {
				reasons = append(reasons, gone.Reason)
				require.Equal(t, len(long), gone.Want)
			}
		}
		require.Equal(t, []j1939.Reason{j1939.ExtendedUsed}, reasons)
	})
}

// lossWait is how long a message may take between two units before it is lost: longer than any time
// that SAE J1939-21 has.
const lossWait = 2500 * time.Millisecond

// Where frames are lost on the way, our listener delivers what the kernel's own receivers on the same
// link deliver and nothing else, and tells once of each message that was announced and not delivered.
func TestKernelJ1939Losses(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const pairs, times, seed = 30, 12, 4
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		link := linkIndex(t, "vcan0")
		tap := newTap(t, "vcan1")
		dropper := newDropper(t, "vcan0", "vcan1", oneIn(150, seed))

		var work sync.WaitGroup
		sent, arrived := make([]map[string]bool, pairs), make([][]string, pairs)
		faults := make([]error, pairs)
		for n := range pairs {
			from, to := uint8(0x10+n), uint8(0x40+n)
			source, target := unit(t, "vcan0", from), unit(t, "vcan1", to)
			wait := unix.NsecToTimeval(int64(lossWait))
			require.NoError(t, unix.SetsockoptTimeval(target, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &wait))
			random := rand.New(rand.NewPCG(seed, uint64(n)))
			sent[n] = make(map[string]bool)
			work.Go(func() {
				b := make([]byte, longestGroup+1)
				for range times {
					p := parcel{0xEF00, from, to, pick(random, 300)}
					sent[n][p.payload] = true
					err := post(source, link, p)
					if err == unix.EHOSTUNREACH { // what became of the one before
						err = post(source, link, p)
					}
					if err != nil {
						faults[n] = err
					}
					if size, err := unix.Read(target, b); err == nil {
						arrived[n] = append(arrived[n], string(b[:size]))
					}
				}
			})
		}
		work.Wait()
		for _, err := range faults {
			require.NoError(t, err)
		}
		send(t, rawSocket(t, "vcan0"), classicFrame(endID))
		announced := make([]int, pairs)
		for _, c := range dropper.wait(t) {
			id := j1939.Split(capture.ID(c.id))
			if id.Group == 0xEC00 && c.data[0] == 0x10 && !c.dropped {
				announced[id.Source-0x10]++
			}
		}

		var listener j1939.Listener
		listener.Watch(0)
		got, told := make([][]string, pairs), make([]int, pairs)
		tell := func() {
			for _, gone := range listener.Incompletes() {
				told[gone.Source-0x10]++
			}
		}
		frames := tap.all(t)
		for i := range frames {
			if m := listener.Feed(&frames[i]); m != nil {
				n := int(m.Source - 0x10)
				require.True(t, sent[n][string(m.Payload)], "a message that nobody sent")
				got[n] = append(got[n], string(m.Payload))
			}
			tell()
		}
		listener.End()
		tell()
		lost := 0
		for n := range pairs {
			require.Equal(t, arrived[n], got[n], "pair %d", n)
			require.Equal(t, announced[n]-len(got[n]), told[n], "pair %d: incomplete", n)
			lost += times - len(got[n])
		}
		require.NotZero(t, lost)
		t.Logf("%d of %d messages lost, in %d frames", lost, pairs*times, len(frames))
	})
}
