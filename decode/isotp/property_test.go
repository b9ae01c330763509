package isotp_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
)

// sent is a message that the sender put on the bus, with the indices of its frames in the traffic.
type sent struct {
	pair      isotp.PairID
	direction isotp.Direction
	payload   []byte
	frames    []int
}

// traffic is what several pairs said at once.
type traffic struct {
	pairs    []isotp.Pair
	messages []sent
	frames   []capture.Frame
	owner    []int // index of the message of each frame, -1 for flow control
}

// line is one direction of one pair, with the frames that it still has to send.
type line struct {
	pair      isotp.PairID
	direction isotp.Direction
	mine      sender
	other     sender
	waiting   []queued
}

type queued struct {
	frame   capture.Frame
	message int // -1 for flow control
}

// drawPairs draws pairs that can be told apart, with the senders of their two directions.
func drawPairs(t *rapid.T) ([]isotp.Pair, []*line) {
	var pairs []isotp.Pair
	var lines []*line
	for i := range rapid.IntRange(1, 4).Draw(t, "pairs") {
		p := isotp.Pair{
			Bus:     capture.BusID(rapid.IntRange(0, 1).Draw(t, "bus")),
			Request: capture.ID(0x600 + 2*i), Response: capture.ID(0x601 + 2*i),
			Extended: rapid.Bool().Draw(t, "29 bit"),
		}
		mine := sender{bus: p.Bus, id: p.Request, extended: p.Extended,
			size:    rapid.SampledFrom([]int{8, 8, 12, 20, 48, 64}).Draw(t, "frame size"),
			padding: rapid.Byte().Draw(t, "padding"), padded: rapid.Bool().Draw(t, "padded")}
		other := mine
		other.id = p.Response
		if rapid.Bool().Draw(t, "address byte") {
			p.Addressing = isotp.WithByte
			p.RequestByte, p.ResponseByte = rapid.Byte().Draw(t, "request byte"), rapid.Byte().Draw(t, "response byte")
			mine.address, other.address = []byte{p.RequestByte}, []byte{p.ResponseByte}
		}
		pairs = append(pairs, p)
		id := isotp.PairID(i)
		lines = append(lines,
			&line{pair: id, direction: isotp.Request, mine: mine, other: other},
			&line{pair: id, direction: isotp.Response, mine: other, other: mine})
	}
	return pairs, lines
}

// say queues a message, with the flow control of the receiver after its first frame and after each
// block.
func (l *line) say(t *rapid.T, payload []byte, index int) {
	block := rapid.IntRange(0, 9).Draw(t, "block size")
	waits := rapid.IntRange(0, 2).Draw(t, "waits")
	controlled := rapid.Bool().Draw(t, "flow control seen")
	frames := l.mine.message(payload)
	for i, f := range frames {
		l.waiting = append(l.waiting, queued{f, index})
		blockEnds := i == 0 || block > 0 && i%block == 0
		if !controlled || len(frames) == 1 || i == len(frames)-1 || !blockEnds {
			continue
		}
		for range waits {
			l.waiting = append(l.waiting, queued{l.other.flow(1, byte(block), 0), -1})
		}
		l.waiting = append(l.waiting, queued{l.other.flow(0, byte(block), 0), -1})
	}
}

// drawTraffic draws messages and interleaves them. No pause is as long as the timeout.
func drawTraffic(t *rapid.T) *traffic {
	tr := new(traffic)
	var lines []*line
	tr.pairs, lines = drawPairs(t)
	for range rapid.IntRange(1, 12).Draw(t, "messages") {
		l := lines[rapid.IntRange(0, len(lines)-1).Draw(t, "line")]
		length := rapid.OneOf(rapid.IntRange(1, 70), rapid.IntRange(1, 700)).Draw(t, "length")
		seed := rapid.Byte().Draw(t, "seed")
		payload := counting(length, func(i int) byte { return seed + byte(i*i>>2) })
		tr.messages = append(tr.messages, sent{pair: l.pair, direction: l.direction, payload: payload})
		l.say(t, payload, len(tr.messages)-1)
	}
	at := capture.Stamp(0)
	for {
		var busy []*line
		for _, l := range lines {
			if len(l.waiting) > 0 {
				busy = append(busy, l)
			}
		}
		if len(busy) == 0 {
			return tr
		}
		l := busy[rapid.IntRange(0, len(busy)-1).Draw(t, "next")]
		q := l.waiting[0]
		l.waiting = l.waiting[1:]
		at = at.Add(100 * time.Microsecond)
		q.frame.At, q.frame.Packet = at, uint64(len(tr.frames)+1)
		if q.message >= 0 {
			m := &tr.messages[q.message]
			m.frames = append(m.frames, len(tr.frames))
		}
		tr.frames = append(tr.frames, q.frame)
		tr.owner = append(tr.owner, q.message)
	}
}

// result is what a listener made of the traffic.
type result struct {
	messages    []isotp.Message
	incompletes []isotp.Incomplete
	stray       uint64
}

// listen feeds the frames but those that are lost. Where told, the listener hears of each loss as a
// capture tells it: before the next frame of that bus.
func (tr *traffic) listen(t require.TestingT, lost map[int]bool, told bool) result {
	var l isotp.Listener
	var r result
	for _, p := range tr.pairs {
		_, err := l.Add(p)
		require.NoError(t, err)
	}
	note := func() {
		for _, i := range l.Incompletes() {
			i.Head = append([]byte{}, i.Head...)
			i.Packets = append([]uint64{}, i.Packets...)
			r.incompletes = append(r.incompletes, i)
		}
	}
	missing := map[capture.BusID]bool{}
	for i := range tr.frames {
		f := tr.frames[i]
		if lost[i] {
			missing[f.Bus] = true
			continue
		}
		if told && missing[f.Bus] {
			l.Lost(f.Bus)
			note()
			delete(missing, f.Bus)
		}
		m := l.Feed(&f)
		note()
		if m != nil {
			c := *m
			c.Payload = append([]byte{}, m.Payload...)
			c.Packets = append([]uint64{}, m.Packets...)
			r.messages = append(r.messages, c)
		}
	}
	l.End()
	note()
	r.stray = l.Counts().Stray
	return r
}

// match finds each message of the result among those sent: the same pair, direction, bytes and
// packets. It returns which of those sent came.
func (tr *traffic) match(t require.TestingT, r result) map[int]bool {
	came := map[int]bool{}
	for _, m := range r.messages {
		index := tr.owner[m.First-1]
		require.GreaterOrEqual(t, index, 0, "a message that begins with a flow control")
		s := tr.messages[index]
		require.Equal(t, []isotp.PairID{s.pair}, m.Pairs)
		require.Equal(t, s.direction, m.Direction)
		require.Equal(t, s.payload, m.Payload)
		require.Len(t, m.Packets, len(s.frames))
		for k, i := range s.frames {
			require.Equal(t, tr.frames[i].Packet, m.Packets[k])
		}
		for k := range m.Payload {
			packet, at, ok := m.Locate(k)
			require.True(t, ok)
			require.Equal(t, m.Payload[k], tr.frames[packet-1].Data[at])
		}
		require.False(t, came[index], "a message came twice")
		came[index] = true
	}
	return came
}

func TestWhatComesOutWasPutIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		r := tr.listen(t, nil, false)
		require.Len(t, tr.match(t, r), len(tr.messages))
		require.Empty(t, r.incompletes)
		require.Zero(t, r.stray)
	})
}

// One frame less, and nobody says so: its message does not come, all others do, and the gap is named.
func TestOneLostFrameIsNamed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		gone := rapid.IntRange(0, len(tr.frames)-1).Draw(t, "lost frame")
		r := tr.listen(t, map[int]bool{gone: true}, false)
		came := tr.match(t, r)
		hurt := tr.owner[gone]
		if hurt < 0 {
			require.Len(t, came, len(tr.messages), "a lost flow control hurts nothing")
			require.Empty(t, r.incompletes)
			return
		}
		require.False(t, came[hurt])
		require.Len(t, came, len(tr.messages)-1)
		if len(tr.messages[hurt].frames) == 1 {
			require.Empty(t, r.incompletes, "nothing is left of a single frame")
			return
		}
		require.Len(t, r.incompletes, 1)
		require.Equal(t, []isotp.PairID{tr.messages[hurt].pair}, r.incompletes[0].Pairs)
		require.Equal(t, tr.messages[hurt].direction, r.incompletes[0].Direction)
		head := r.incompletes[0].Head
		require.Equal(t, tr.messages[hurt].payload[:len(head)], head)
	})
}

// Any frames less, and the capture says where: no message that was not sent, and what began and did
// not come is named by its first frame.
func TestToldLossesNeverJoin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		lost := map[int]bool{}
		for i := 0; i < len(tr.frames); i++ {
			if rapid.IntRange(0, 9).Draw(t, "kept") > 0 {
				continue
			}
			for range rapid.SampledFrom([]int{1, 1, 2, 15, 16, 17}).Draw(t, "burst") {
				lost[i] = true
				i++
			}
		}
		r := tr.listen(t, lost, true)
		came := tr.match(t, r)
		named := map[uint64]bool{}
		for _, i := range r.incompletes {
			named[i.First] = true
			if i.Reason == isotp.NoFirstFrame {
				continue
			}
			s := tr.messages[tr.owner[i.First-1]]
			require.Equal(t, s.payload[:len(i.Head)], i.Head)
			require.Equal(t, uint64(len(s.payload)), i.Want)
		}
		for k, s := range tr.messages {
			if first := s.frames[0]; !came[k] && !lost[first] {
				require.True(t, named[tr.frames[first].Packet], "message %d is gone without a word", k)
			}
		}
	})
}

// Random frames under the identifiers of the pairs: nothing breaks, and each message is made of
// frames that were fed.
func FuzzListener(f *testing.F) {
	f.Add([]byte{0, 8, 0x10, 0x14, 0x62, 0x2B, 0x01, 0xA0, 0xA1, 0xA2, 1, 3, 0x30, 0, 0x0A, 0, 8, 0x21, 1, 2, 3, 4, 5, 6, 7})
	f.Add([]byte{0, 8, 0x10, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2, 0, 8, 0x21, 1, 2, 3, 4, 5, 6, 7, 64, 0})
	f.Add([]byte{2, 9, 0x3A, 0x00, 0x07, 1, 2, 3, 4, 5, 6, 7, 3, 4, 0x3A, 0x02, 0x7E, 0x00})
	f.Add([]byte{1, 1, 0x02, 2, 1, 0x3A, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		var l isotp.Listener
		_, err := l.Add(normalPair)
		require.NoError(t, err)
		_, err = l.Add(isotp.Pair{Request: 0x700, Response: 0x701, Addressing: isotp.WithByte, RequestByte: 0x3A, ResponseByte: 0x3A})
		require.NoError(t, err)
		d := isotp.NewDiscovery()
		fed := []capture.Frame{{}}
		for len(data) >= 2 {
			frame := fuzzFrame(data, len(fed))
			data = data[min(len(data), 2+int(frame.Len)):]
			fed = append(fed, frame)
			d.Feed(&frame)
			m := l.Feed(&frame)
			if m == nil {
				continue
			}
			require.NotEmpty(t, m.Payload)
			require.LessOrEqual(t, len(m.Payload), isotp.MaxMessage)
			for i, b := range m.Payload {
				packet, at, ok := m.Locate(i)
				require.True(t, ok)
				require.Equal(t, b, fed[packet].Data[at])
			}
		}
		l.End()
		for _, i := range l.Incompletes() {
			require.Less(t, i.Got, i.Want)
			require.LessOrEqual(t, len(i.Head), isotp.MaxMessage)
		}
		d.Candidates()
	})
}

// fuzzFrame makes a frame of what is left of the fuzzer's bytes: an identifier, a length, the data.
// High bits of the first byte set flags and pauses.
func fuzzFrame(data []byte, packet int) capture.Frame {
	ids := [...]capture.ID{unitID, testerID, 0x700, 0x701}
	f := capture.Frame{
		At: capture.Stamp(packet) * 1_000_000, Packet: uint64(packet),
		ID: ids[data[0]&3], Len: data[1] % (capture.MaxData + 1),
	}
	if data[0]&0x10 != 0 {
		f.Flags |= capture.Cut
	}
	if data[0]&0x20 != 0 {
		f.Flags |= capture.Remote
	}
	if data[0]&0x40 != 0 {
		f.At += 5_000_000_000
	}
	copy(f.Data[:f.Len], data[2:])
	return f
}
