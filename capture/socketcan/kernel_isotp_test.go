//go:build linux

package socketcan_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/socketcan/kerneltest"
	"ridewitness/decode/isotp"
)

// Options of the kernel's ISO 15765-2 sockets (linux/can/isotp.h).
const (
	solISOTP         = 100 + unix.CAN_ISOTP
	isotpOptions     = 1
	isotpFlowControl = 2
	isotpLinkLayer   = 5

	isotpExtended      = 0x002
	isotpPadding       = 0x004
	isotpOwnByte       = 0x200
	isotpWaitForTheEnd = 0x400
	noFrameTime        = 0xFFFFFFFF
)

// kernelLimit is the longest message that kernels before 6.3 take.
const kernelLimit = 8200

// dialogue is one tester and one unit and how they talk.
type dialogue struct {
	pair       isotp.Pair
	block      uint8
	separation uint8
	pad        int // value of the padding bytes, -1 for none
	length     int // longest payload of a frame; 0 is classic
	longest    int // message
}

func (d dialogue) String() string {
	return fmt.Sprintf("0x%X/0x%X byte %v block %d separation 0x%02X pad %d frames of %d",
		d.pair.Request, d.pair.Response, d.pair.Addressing == isotp.WithByte, d.block, d.separation, d.pad, d.length)
}

// randomDialogue makes the n-th dialogue; n gives it identifiers of its own.
func randomDialogue(random *rand.Rand, n int) dialogue {
	d := dialogue{block: uint8(random.IntN(12)), pad: -1, longest: kernelLimit}
	if random.IntN(2) == 0 {
		d.pad = random.IntN(256)
	}
	if random.IntN(2) == 0 {
		lengths := []int{8, 12, 16, 20, 24, 32, 48, 64}
		d.length = lengths[random.IntN(len(lengths))]
	}
	if random.IntN(4) == 0 { // waiting takes time, so these exchange short messages
		d.separation = []uint8{0xF1, 0xF3, 0xF9, 0x01, 0x02}[random.IntN(5)]
		d.longest = 200
	}
	d.pair = randomPair(random, n)
	return d
}

// randomPair addresses two units in one of the ways of ISO 15765-2.
func randomPair(random *rand.Rand, n int) isotp.Pair {
	standard := isotp.Pair{Request: capture.ID(0x100 + 2*n), Response: capture.ID(0x101 + 2*n)}
	fixed := func(format capture.ID) isotp.Pair {
		unit := capture.ID(n)
		return isotp.Pair{Request: format<<16 | unit<<8 | 0xF1, Response: format<<16 | 0xF1<<8 | unit, Extended: true}
	}
	own, other := uint8(random.IntN(256)), uint8(random.IntN(256))
	switch random.IntN(5) {
	case 0: // normal, 11 bit
		return standard
	case 1: // normal fixed, 29 bit
		return fixed(0x18DA)
	case 2: // mixed, 11 bit: the same byte both ways
		standard.Addressing, standard.RequestByte, standard.ResponseByte = isotp.WithByte, own, own
		return standard
	case 3: // mixed, 29 bit
		p := fixed(0x18CE)
		p.Addressing, p.RequestByte, p.ResponseByte = isotp.WithByte, own, own
		return p
	default: // extended: each direction has its target's byte
		standard.Addressing, standard.RequestByte, standard.ResponseByte = isotp.WithByte, own, other
		return standard
	}
}

// open opens the kernel's socket of one side of a dialogue on a link.
func (d dialogue) open(t *testing.T, link string, side isotp.Direction) int {
	t.Helper()
	socket, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, unix.CAN_ISOTP)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(socket) })
	to, from, ownByte, otherByte := d.pair.Request, d.pair.Response, d.pair.RequestByte, d.pair.ResponseByte
	if side == isotp.Response {
		to, from, ownByte, otherByte = from, to, otherByte, ownByte
	}
	flags := uint32(isotpWaitForTheEnd)
	if d.pair.Addressing == isotp.WithByte {
		flags |= isotpExtended | isotpOwnByte
	}
	if d.pad >= 0 {
		flags |= isotpPadding
	}
	options := binary.NativeEndian.AppendUint32(nil, flags)
	options = binary.NativeEndian.AppendUint32(options, noFrameTime)
	options = append(options, ownByte, byte(max(d.pad, 0)), 0, otherByte)
	require.NoError(t, unix.SetsockoptString(socket, solISOTP, isotpOptions, string(options)))
	flow := string([]byte{d.block, d.separation, 0})
	require.NoError(t, unix.SetsockoptString(socket, solISOTP, isotpFlowControl, flow))
	if d.length != 0 {
		link := string([]byte{fdFrameLength, byte(d.length), byte(d.block & 1)})
		require.NoError(t, unix.SetsockoptString(socket, solISOTP, isotpLinkLayer, link))
	}
	require.NoError(t, unix.SetsockoptTimeval(socket, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 10}))
	var formatFlag uint32
	if d.pair.Extended {
		formatFlag = unix.CAN_EFF_FLAG
	}
	require.NoError(t, unix.Bind(socket, &unix.SockaddrCAN{
		Ifindex: linkIndex(t, link), RxID: uint32(from) | formatFlag, TxID: uint32(to) | formatFlag,
	}), "%v", d)
	return socket
}

// randomPayload is mostly short, as on a vehicle, and at times longer than a plain first frame can say.
func randomPayload(random *rand.Rand, longest int) []byte {
	length := 1 + random.IntN(62)
	switch random.IntN(16) {
	case 0:
		length = 1 + random.IntN(longest)
	case 1, 2, 3, 4, 5:
		length = 1 + random.IntN(600)
	}
	payload := make([]byte, min(length, longest))
	for i := range payload {
		payload[i] = byte(random.Uint32())
	}
	return payload
}

// said is one message of a dialogue.
type said struct {
	by      isotp.Direction
	payload []byte
}

// talk exchanges messages one after the other over the kernel's sockets, and returns them.
func (d dialogue) talk(random *rand.Rand, tester, unit, times int) ([]said, error) {
	var all []said
	heard := make([]byte, kernelLimit+1)
	for range times {
		message := said{isotp.Request, randomPayload(random, d.longest)}
		from, to := tester, unit
		if random.IntN(2) == 0 {
			message.by, from, to = isotp.Response, unit, tester
		}
		if _, err := unix.Write(from, message.payload); err != nil {
			return all, fmt.Errorf("%v: write %d bytes: %w", d, len(message.payload), err)
		}
		n, err := unix.Read(to, heard)
		if err != nil {
			return all, fmt.Errorf("%v: read: %w", d, err)
		}
		if !bytes.Equal(heard[:n], message.payload) {
			return all, fmt.Errorf("%v: the kernel's own receiver got other bytes", d)
		}
		all = append(all, message)
	}
	return all, nil
}

// Everything that the kernel's own implementation of ISO 15765-2 exchanges comes out of our
// listener, byte for byte and in order.
func TestKernelISOTPTransfers(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const dialogues, times, seed = 60, 50, 1
		kerneltest.AddLink(t, "vcan0", "vcan")
		tap := newTap(t, "vcan0")
		random := rand.New(rand.NewPCG(seed, 0))

		var listener isotp.Listener
		var work sync.WaitGroup
		sent := make([][]said, dialogues)
		faults := make([]error, dialogues)
		for n := range dialogues {
			d := randomDialogue(random, n)
			id, err := listener.Add(d.pair)
			require.NoError(t, err)
			require.Equal(t, isotp.PairID(n), id)
			tester, unit := d.open(t, "vcan0", isotp.Request), d.open(t, "vcan0", isotp.Response)
			own := rand.New(rand.NewPCG(seed, uint64(n+1)))
			work.Go(func() { sent[n], faults[n] = d.talk(own, tester, unit, times) })
		}
		work.Wait()
		for _, err := range faults {
			require.NoError(t, err)
		}
		send(t, rawSocket(t, "vcan0"), classicFrame(endID))

		got := make([][]said, dialogues)
		frames := tap.all(t)
		for i := range frames {
			if m := listener.Feed(&frames[i]); m != nil {
				got[m.Pairs[0]] = append(got[m.Pairs[0]], said{m.Direction, bytes.Clone(m.Payload)})
			}
			for _, gone := range listener.Incompletes() {
				t.Errorf("pair %d: %v", gone.Pairs[0], &gone)
			}
		}
		for n := range dialogues {
			require.Equal(t, sent[n], got[n], "pair %d", n)
		}
		require.Equal(t, isotp.Counts{Messages: dialogues * times}, listener.Counts())
		t.Logf("%d messages in %d frames", dialogues*times, len(frames))
	})
}

// attempt is a transfer that a tester began, as the dropper saw it.
type attempt struct {
	first, last uint64 // packets on the far link, 0 where none arrived
	long        bool   // more than one frame
	told        bool   // a message or an incomplete
}

// attempts divides what came to the dropper by transfers: each begins with a single or first frame.
// Packets are counted by the frames of the pair that passed.
func (d dialogue) attempts(log []carried, packets []uint64) []attempt {
	id := uint32(d.pair.Request)
	if d.pair.Extended {
		id |= unix.CAN_EFF_FLAG
	}
	at := 0
	if d.pair.Addressing == isotp.WithByte {
		at = 1
	}
	var all []attempt
	for _, c := range log {
		if c.id != id {
			continue
		}
		switch kind := c.data[at] >> 4; kind {
		case 0, 1:
			all = append(all, attempt{long: kind == 1})
		}
		if c.dropped {
			continue
		}
		a := &all[len(all)-1]
		if a.first == 0 {
			a.first = packets[0]
		}
		a.last, packets = packets[0], packets[1:]
	}
	return all
}

// tell marks the attempts that a message or an incomplete covers, and reports whether it did any.
func tell(attempts []attempt, first, last uint64) bool {
	any := false
	for i := range attempts {
		if a := &attempts[i]; a.first != 0 && a.first <= last && a.last >= first {
			a.told, any = true, true
		}
	}
	return any
}

// Where frames are lost on the way, our listener delivers what the kernel's own receiver on the same
// link delivers and nothing else, and every transfer of which something arrived is told: as a message
// or as incomplete.
func TestKernelISOTPLosses(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const dialogues, times, seed = 60, 25, 2
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		tap := newTap(t, "vcan1")
		dropper := newDropper(t, "vcan0", "vcan1", oneIn(200, seed))
		random := rand.New(rand.NewPCG(seed, 0))

		var listener isotp.Listener
		var work sync.WaitGroup
		talks := make([]dialogue, dialogues)
		units := make([]int, dialogues)
		sent := make([]map[string]bool, dialogues)
		for n := range dialogues {
			d := randomDialogue(random, n)
			d.longest = 1200
			_, err := listener.Add(d.pair)
			require.NoError(t, err)
			talks[n], units[n] = d, d.open(t, "vcan1", isotp.Response)
			tester := d.open(t, "vcan0", isotp.Request)
			own := rand.New(rand.NewPCG(seed, uint64(n+1)))
			sent[n] = make(map[string]bool)
			work.Go(func() {
				for range times {
					payload := randomPayload(own, d.longest)
					sent[n][string(payload)] = true
					// What is lost on the way makes the kernel's sender give up after a second.
					_, _ = unix.Write(tester, payload)
				}
			})
		}
		work.Wait()
		send(t, rawSocket(t, "vcan0"), classicFrame(endID))
		log, frames := dropper.wait(t), tap.all(t)

		messages := make([][][]byte, dialogues)
		packets := make([][]uint64, dialogues)
		type span struct {
			first, last uint64
			text        string
		}
		spans := make([][]span, dialogues)
		incomplete := func() {
			for _, gone := range listener.Incompletes() {
				require.Equal(t, isotp.Request, gone.Direction)
				n := gone.Pairs[0]
				spans[n] = append(spans[n], span{gone.First, gone.Last, gone.String()})
			}
		}
		for n, d := range talks {
			for _, f := range frames {
				if f.ID == d.pair.Request && f.Flags.Has(capture.Extended) == d.pair.Extended {
					packets[n] = append(packets[n], f.Packet)
				}
			}
		}
		for i := range frames {
			if m := listener.Feed(&frames[i]); m != nil {
				n := m.Pairs[0]
				messages[n] = append(messages[n], bytes.Clone(m.Payload))
				spans[n] = append(spans[n], span{m.First, m.Last, "a message"})
			}
			incomplete()
		}
		listener.End()
		incomplete()

		lost := 0
		for n, d := range talks {
			require.Equal(t, drain(t, units[n], kernelLimit), messages[n], "%v", d)
			for _, m := range messages[n] {
				require.True(t, sent[n][string(m)], "a message that nobody sent: %v", d)
			}
			attempts := d.attempts(log, packets[n])
			require.Len(t, attempts, times)
			for _, s := range spans[n] {
				require.True(t, tell(attempts, s.first, s.last), "%s: told of packets %d to %d, where no transfer was", s.text, s.first, s.last)
			}
			for i, a := range attempts {
				require.True(t, a.told || a.first == 0, "%v: transfer %d, packets %d to %d, is told nowhere", d, i, a.first, a.last)
			}
			lost += times - len(messages[n])
		}
		require.NotZero(t, lost)
		t.Logf("%d of %d messages lost, in %d frames", lost, dialogues*times, len(frames))
	})
}
