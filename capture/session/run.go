package session

import (
	"encoding/binary"

	"ridewitness/capture"
)

// run reads what nearly all of a session is made of, for as long as nothing else comes: enhanced
// packets in a little-endian section, of an interface that counts nanoseconds, with a classic or FD
// frame that is whole, and epb_flags as the only option. It stops in front of everything else, also of
// everything that is wrong, and leaves that to block: so it decides nothing that is not decided there.
//
// Without it BenchmarkRead takes about three times as long.
func (r *Reader) run(room int) {
	if r.cur == nil || r.big || r.skip > 0 || r.unknown || r.classic != nil || !r.started {
		return
	}
	data, frames := r.cur.data[r.pos:], r.batch.Frames
	for len(frames) < room {
		frames = frames[:len(frames)+1]
		n := r.common(&frames[len(frames)-1], data)
		if n == 0 {
			frames = frames[:len(frames)-1]
			break
		}
		data = data[n:]
	}
	if n := len(frames) - len(r.batch.Frames); n > 0 {
		r.pos = len(r.cur.data) - len(data)
		r.state.block()
		r.batch.Frames = frames
	}
}

// common reads one packet of the common kind into f and returns the length of its block, 0 when the
// block is of another kind.
func (r *Reader) common(f *capture.Frame, data []byte) int {
	const fixed, options = blockHead + packetHead, 12 // epb_flags and the end of the list
	if len(data) < fixed+recordHead+4 {
		return 0
	}
	head := (*[fixed]byte)(data) // one check of bounds for all of them
	length, captured := binary.LittleEndian.Uint32(head[4:]), binary.LittleEndian.Uint32(head[20:])
	if binary.LittleEndian.Uint32(head[:]) != enhancedPacket || captured-recordHead > capture.MaxData || uint64(length) > uint64(len(data)) {
		return 0
	}
	padded := (captured + 3) &^ 3
	if length != fixed+padded+4 && length != fixed+padded+options+4 {
		return 0
	}
	b := data[:length]
	iface := binary.LittleEndian.Uint32(head[8:])
	if iface >= uint32(len(r.ifaces)) || !r.ifaces[iface].plain || binary.LittleEndian.Uint32(b[length-4:]) != length {
		return 0
	}
	bus := r.ifaces[iface].bus % capture.MaxBuses
	*f = capture.Frame{Packet: r.packets + 1, Bus: bus}
	if tail := b[fixed+padded:]; len(tail) > options {
		if binary.LittleEndian.Uint32(tail) != optPacketFlags|4<<16 || binary.LittleEndian.Uint32(tail[8:]) != 0 {
			return 0
		}
		f.Flags = direction(binary.LittleEndian.Uint32(tail[4:]))
	}
	f.At = capture.Stamp(uint64(binary.LittleEndian.Uint32(head[12:]))<<32 | uint64(binary.LittleEndian.Uint32(head[16:])))
	if f.At < r.last[bus] { // a step back, or past the year 2262
		return 0
	}
	if decodeRecord(f, b[fixed:fixed+captured], binary.LittleEndian.Uint32(head[24:])) != recordFine || !isLength(f.Len) {
		return 0
	}
	r.last[bus], r.at = f.At, f.At
	r.packets++
	return int(length)
}

// pass passes over blocks of unknown types that are at hand, as block would one by one: a hostile file
// of nothing else would keep it busy seven times as long (BenchmarkHostile).
func (r *Reader) pass() {
	if r.cur == nil || r.skip > 0 || r.classic != nil || !r.started {
		return
	}
	data := r.cur.data[r.pos:]
	for len(data) >= anyLength {
		kind, length := r.u32(data), r.u32(data[4:])
		if leastLength(kind) != anyLength || isTextMode(kind) || length < anyLength || length%4 != 0 || length > maxKept ||
			uint64(length) > uint64(len(data)) || r.u32(data[length-4:]) != length {
			break
		}
		data = data[length:]
	}
	if at := len(r.cur.data) - len(data); at > r.pos {
		r.pos = at
		r.state.block()
	}
}
