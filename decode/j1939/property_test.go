package j1939_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/j1939"
)

// sent is a message that a simulated unit put on the bus.
type sent struct {
	group               uint32
	source, destination uint8
	payload             []byte
	frames              []int // its announcement and data packets in the traffic, repetitions too
	packets             []int // the frame that first brought each packet
}

type queued struct {
	frame   capture.Frame
	message int // -1 for frames of the receiver
	number  int // of a data packet, 0 for others
}

// build makes the frames of a message as SAE J1939-21 has its sender and receiver make them. It
// shares no code with the listener.
func build(t *rapid.T, m sent, index int) []queued {
	count := (len(m.payload) + 6) / 7
	group := []byte{byte(m.group), byte(m.group >> 8), byte(m.group >> 16)}
	frame := func(format, from, to byte, data ...byte) capture.Frame {
		f := capture.Frame{Flags: capture.Extended, Len: 8,
			ID: 7<<26 | capture.ID(format)<<16 | capture.ID(to)<<8 | capture.ID(from)}
		copy(f.Data[:], data)
		return f
	}
	manage := func(from, to byte, data ...byte) capture.Frame {
		return frame(0xEC, from, to, append(data, group...)...)
	}
	packet := func(n int) queued {
		data := []byte{byte(n)}
		for i := (n - 1) * 7; i < n*7; i++ {
			if i < len(m.payload) {
				data = append(data, m.payload[i])
			} else {
				data = append(data, 0xFF)
			}
		}
		return queued{frame(0xEB, m.source, m.destination, data...), index, n}
	}
	low, high := byte(len(m.payload)), byte(len(m.payload)>>8)
	if m.destination == 255 {
		out := []queued{{manage(m.source, 255, 0x20, low, high, byte(count), 0xFF), index, 0}}
		for n := 1; n <= count; n++ {
			out = append(out, packet(n))
		}
		return out
	}
	out := []queued{{manage(m.source, m.destination, 0x10, low, high, byte(count), 0xFF), index, 0}}
	receiver := func(data ...byte) {
		out = append(out, queued{manage(m.destination, m.source, data...), -1, 0})
	}
	for next := 1; next <= count; {
		for range rapid.IntRange(0, 1).Draw(t, "holds") {
			receiver(0x11, 0, 0xFF, 0xFF, 0xFF)
		}
		window := rapid.IntRange(1, 16).Draw(t, "window")
		again := max(1, next-rapid.SampledFrom([]int{0, 0, 0, 1, 3}).Draw(t, "sent again"))
		receiver(0x11, byte(window), byte(again), 0xFF, 0xFF)
		for n := again; n < again+window && n <= count; n++ {
			out = append(out, packet(n))
			next = max(next, n+1)
		}
	}
	receiver(0x13, low, high, byte(count), 0xFF)
	return out
}

type traffic struct {
	messages []sent
	frames   []capture.Frame
	owner    []int
}

// drawTraffic draws messages of some units and interleaves them; a unit sends one message at a time
// to one destination.
func drawTraffic(t *rapid.T) *traffic {
	tr := new(traffic)
	type ends struct{ source, destination uint8 }
	lines := map[ends][]queued{}
	var order []ends
	for range rapid.IntRange(1, 8).Draw(t, "messages") {
		m := sent{
			group:       rapid.Uint32Range(0, 0x3FFFF).Draw(t, "group"),
			source:      rapid.Uint8Range(1, 3).Draw(t, "source"),
			destination: rapid.SampledFrom([]uint8{255, 255, 4, 5}).Draw(t, "destination"),
		}
		size := rapid.OneOf(rapid.IntRange(9, 60), rapid.IntRange(9, 1785)).Draw(t, "size")
		seed := rapid.Byte().Draw(t, "seed")
		for i := range size {
			m.payload = append(m.payload, seed+byte(i*i>>3))
		}
		key := ends{m.source, m.destination}
		if _, there := lines[key]; !there {
			order = append(order, key)
		}
		lines[key] = append(lines[key], build(t, m, len(tr.messages))...)
		m.packets = make([]int, (size+6)/7)
		tr.messages = append(tr.messages, m)
	}
	for len(order) > 0 {
		k := rapid.IntRange(0, len(order)-1).Draw(t, "next")
		q := lines[order[k]][0]
		lines[order[k]] = lines[order[k]][1:]
		if len(lines[order[k]]) == 0 {
			order = append(order[:k], order[k+1:]...)
		}
		tr.add(q)
	}
	return tr
}

func (tr *traffic) add(q queued) {
	i := len(tr.frames)
	q.frame.At, q.frame.Packet = capture.Stamp(i)*capture.Stamp(100*time.Microsecond), uint64(i+1)
	tr.frames = append(tr.frames, q.frame)
	tr.owner = append(tr.owner, q.message)
	if q.message < 0 {
		return
	}
	m := &tr.messages[q.message]
	m.frames = append(m.frames, i)
	if q.number > 0 && m.packets[q.number-1] == 0 {
		m.packets[q.number-1] = i
	}
}

// listen feeds the frames but those that are lost; where told, the listener hears of each loss. It
// returns which messages came and the announcements of those that were given up.
func (tr *traffic) listen(t *rapid.T, lost map[int]bool, told bool) (came map[int]bool, givenUp map[uint64]bool) {
	l := watching()
	came, givenUp = map[int]bool{}, map[uint64]bool{}
	note := func() {
		for _, i := range l.Incompletes() {
			givenUp[i.First] = true
		}
	}
	missing := false
	for i := range tr.frames {
		if lost[i] {
			missing = true
			continue
		}
		if told && missing {
			l.Lost(0)
			note()
			missing = false
		}
		m := l.Feed(&tr.frames[i])
		note()
		if m == nil {
			continue
		}
		index := tr.owner[m.First-1]
		s := tr.messages[index]
		require.Equal(t, s.payload, m.Payload)
		require.Equal(t, []any{s.group, s.source, s.destination}, []any{m.Group, m.Source, m.Destination})
		for k := range m.Payload {
			packet, at, ok := m.Locate(k)
			require.True(t, ok)
			require.Equal(t, m.Payload[k], tr.frames[packet-1].Data[at])
		}
		require.False(t, came[index], "a message came twice")
		came[index] = true
	}
	l.End()
	note()
	return came, givenUp
}

func TestWhatComesOutWasPutIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		came, givenUp := tr.listen(t, nil, false)
		require.Len(t, came, len(tr.messages))
		require.Empty(t, givenUp)
	})
}

// One frame less, and nobody says so: no wrong message comes, and what does not come is named.
func TestOneLostFrameIsNamed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		gone := rapid.IntRange(0, len(tr.frames)-1).Draw(t, "lost frame")
		came, givenUp := tr.listen(t, map[int]bool{gone: true}, false)
		hurt := tr.owner[gone]
		for i := range tr.messages {
			if i != hurt {
				require.True(t, came[i], "message %d was not touched", i)
			}
		}
		if hurt >= 0 && !came[hurt] {
			require.NotEmpty(t, givenUp)
		}
	})
}

// Any frames less, and the capture says where: no wrong message, and what began is named.
func TestToldLossesNeverJoin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTraffic(t)
		lost := map[int]bool{}
		for i := 0; i < len(tr.frames); i++ {
			if rapid.IntRange(0, 9).Draw(t, "kept") > 0 {
				continue
			}
			for range rapid.SampledFrom([]int{1, 1, 2, 7, 30}).Draw(t, "burst") {
				lost[i] = true
				i++
			}
		}
		came, givenUp := tr.listen(t, lost, true)
		for i, m := range tr.messages {
			if first := m.frames[0]; !came[i] && !lost[first] {
				require.True(t, givenUp[tr.frames[first].Packet], "message %d is gone without a word", i)
			}
		}
	})
}

// Random transport frames: nothing breaks, and each message is made of frames that were fed.
func FuzzListener(f *testing.F) {
	f.Add([]byte{0, 0x20, 0x14, 0, 3, 0xFF, 0xB0, 0xFE, 0, 1, 1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 2, 3, 4, 5, 6, 7, 8, 1, 3, 2, 3, 4, 5, 6, 7, 8})
	f.Add([]byte{2, 0x10, 9, 0, 2, 0xFF, 0xB0, 0xFE, 0, 3, 2, 2, 3, 4, 5, 6, 7, 8, 4, 0x11, 2, 1, 0xFF, 0xFF, 0xB0, 0xFE, 0, 3, 1, 2, 3, 4, 5, 6, 7, 8})
	f.Add([]byte{4, 0xFF, 3, 0, 2, 0xFF, 0xB0, 0xFE, 0, 6, 0x14, 0, 8, 0, 0, 0xB0, 0xFE, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		ids := [...]capture.ID{0x1CECFF2F, 0x1CEBFF2F, 0x1CECF92F, 0x1CEBF92F, 0x1CEC2FF9, 0x1CEB2FF9, 0x1CC8F92F, 0x18EEFF2F}
		l := watching()
		var d j1939.Directory
		fed := []capture.Frame{{}}
		at := capture.Stamp(0)
		for len(data) >= 9 {
			at = at.Add(time.Duration(data[0]>>4) * 200 * time.Millisecond)
			frame := capture.Frame{At: at, Packet: uint64(len(fed)), ID: ids[data[0]&7], Flags: capture.Extended, Len: 8}
			if data[0]&8 != 0 {
				frame.Len = data[1] % 9
			}
			copy(frame.Data[:8], data[1:9])
			data = data[9:]
			fed = append(fed, frame)
			d.Feed(&frame)
			m := l.Feed(&frame)
			if m == nil {
				continue
			}
			require.GreaterOrEqual(t, len(m.Payload), j1939.MinMessage)
			require.LessOrEqual(t, len(m.Payload), j1939.MaxMessage)
			for i, b := range m.Payload {
				packet, at, ok := m.Locate(i)
				require.True(t, ok)
				require.Equal(t, b, fed[packet].Data[at])
			}
		}
		l.End()
	})
}
