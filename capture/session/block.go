package session

import (
	"encoding/binary"
	"io"

	"ridewitness/capture"
)

// blockHead is the least of every block: type and length.
const blockHead = 8

// block reads one block, or one record of a classic file. Where the framing is broken it goes on where
// blocks follow one another again, if they do.
func (r *Reader) block() error {
	if r.hole.broken != nil {
		return r.seek()
	}
	err := r.parse()
	if f, ok := err.(*FormatError); ok && r.mayGoOn(f) {
		return r.fall(f)
	}
	return err
}

// parse reads what stands at the present place.
func (r *Reader) parse() error {
	if r.skip > 0 {
		return r.skipOn()
	}
	if r.classic != nil {
		return r.classicRecord()
	}
	at := r.tell()
	if err := r.need(blockHead + 4); err != nil {
		return r.short(err, at, "block")
	}
	head := r.cur.data[r.pos:]
	if !r.started {
		if isClassic(head) {
			return r.classicStart()
		}
		if err := r.checkStart(head); err != nil {
			return err
		}
	}
	if binary.LittleEndian.Uint32(head) == sectionHeader { // the same in either order
		return r.section(at)
	}
	kind, length := r.u32(head), r.u32(head[4:])
	if err := r.checkLength(at, kind, length); err != nil {
		return err
	}
	if length > maxKept {
		return r.long(at, kind, length)
	}
	whole, err := r.whole(at, kind, length)
	if err != nil {
		return err
	}
	r.state.block()
	r.count(kind)
	if !r.unknown {
		r.body(at, kind, whole)
	}
	r.pos += int(length)
	return nil
}

// whole makes a block of that length available and compares its second length with its first.
func (r *Reader) whole(at int64, kind, length uint32) ([]byte, error) {
	if err := r.need(int(length)); err != nil {
		return nil, r.short(err, at, blockName(kind))
	}
	whole := r.cur.data[r.pos : r.pos+int(length)]
	if again := r.u32(whole[length-4:]); again != length {
		f := r.fault(at, blockName(kind), ErrTrailer, "%d and %d", length, again)
		f.wrong = at + int64(length) - 4
		return nil, f
	}
	return whole, nil
}

// checkStart refuses a file that does not begin as a capture does.
func (r *Reader) checkStart(head []byte) error {
	switch {
	case binary.LittleEndian.Uint32(head) == sectionHeader:
		return nil
	case isTextMode(binary.LittleEndian.Uint32(head)) || isTextMode(binary.BigEndian.Uint32(head)):
		return r.fault(0, "file", ErrTextMode, "")
	default:
		return r.fault(0, "file", ErrNotCapture, "%s", describe(head))
	}
}

// short turns the end of the file inside a block into what it is.
func (r *Reader) short(err error, at int64, block string) error {
	switch {
	case err == io.ErrUnexpectedEOF && !r.started:
		return r.fault(at, "file", ErrNotCapture, "it ends after %d bytes", r.feed.offset)
	case err == io.ErrUnexpectedEOF:
		return r.fault(at, block, ErrTruncated, "")
	case err == io.EOF && !r.started:
		return r.fault(at, "file", ErrNotCapture, "it is empty")
	}
	return err
}

// isTextMode reports whether a block type is one of those that appear when a transfer in text mode
// changes line ends (draft-ietf-opsawg-pcapng, reserved block types).
func isTextMode(kind uint32) bool {
	return kind>>8 == 0x0A0D0A || kind>>8 == 0x0D0D0A || kind&0xFFFFFF == 0x0A0D0A || kind&0xFFFFFF == 0x0A0D0D
}

// checkLength refuses a length that no block can have before anything is read or skipped by it.
func (r *Reader) checkLength(at int64, kind, length uint32) error {
	switch {
	case length == 0:
		f := r.fault(at, blockName(kind), ErrLength, "0 bytes")
		f.wrong = at + 4
		return f
	case isTextMode(kind):
		return r.fault(at, "block", ErrTextMode, "")
	case length < 12 || length%4 != 0 || length < leastLength(kind):
		return r.fault(at, blockName(kind), ErrLength, "%d bytes, at least %d and a multiple of 4 were expected", length, leastLength(kind))
	case length > MaxBlock:
		return r.fault(at, blockName(kind), ErrTooLong, "%d bytes, at most %d", length, MaxBlock)
	}
	return nil
}

// long begins to pass over a block that is too long to keep. Whole blocks at its beginning show that its
// length can't be right: to follow it would cost them.
func (r *Reader) long(at int64, kind, length uint32) error {
	if err := r.need(blockHead + maxLanding); err != nil && err != io.ErrUnexpectedEOF {
		return err
	}
	if l := r.landing(r.cur.data[r.pos+blockHead:], r.feed.end == io.EOF); l.found {
		return r.fault(at, blockName(kind), ErrLength, "%d bytes, and yet whole blocks follow after %d", length, blockHead+l.before)
	}
	r.state.block()
	r.count(kind)
	r.hurt(at, blockName(kind), ErrTooMany, "%d bytes, at most %d are kept; it is skipped", length, maxKept)
	r.skip, r.skipAt, r.skipKind = length, at, kind
	return nil
}

// skipOn passes over what is left of a long block, and compares its two lengths at its end.
func (r *Reader) skipOn() error {
	if err := r.need(4); err != nil {
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return r.fault(r.skipAt, blockName(r.skipKind), ErrTruncated, "")
		}
		return err
	}
	rest := r.cur.data[r.pos:]
	n := min(r.skip, uint32(len(rest))&^3)
	r.pos += int(n)
	if r.skip -= n; r.skip > 0 {
		return nil
	}
	length := uint32(r.tell() - r.skipAt)
	if again := r.u32(r.cur.data[r.pos-4:]); again != length {
		f := r.fault(r.skipAt, blockName(r.skipKind), ErrTrailer, "%d and %d", length, again)
		f.wrong = r.tell() - 4
		return f
	}
	return nil
}

// body reads a whole block, from its type to its second length.
func (r *Reader) body(at int64, kind uint32, whole []byte) {
	body := whole[blockHead : len(whole)-4]
	if r.wants != nil && !r.wants(kind) {
		r.glance(kind, body)
		return
	}
	switch kind {
	case enhancedPacket:
		r.enhanced(at, body)
	case interfaceDescription:
		r.describe(at, body)
	case simplePacket:
		r.simple(at, body)
	case obsoletePacket:
		r.obsolete(at, body)
	case interfaceStatistics:
		r.statistics(at, body)
	case JournalBlock:
		r.journal(at, whole)
	default:
		// Name resolution, secrets, custom blocks and what others keep for themselves.
	}
}

// glance takes no more than the time of a packet that is not looked into: a packet without a time that
// follows has it too.
func (r *Reader) glance(kind uint32, body []byte) {
	n := r.u32(body)
	switch kind {
	case enhancedPacket:
	case obsoletePacket:
		n = uint32(r.u16(body))
	default:
		return
	}
	if n >= uint32(len(r.ifaces)) || !r.ifaces[n].usable {
		return
	}
	raw := uint64(r.u32(body[4:]))<<32 | uint64(r.u32(body[8:]))
	if stamp, ok := r.ifaces[n].unit.stamp(raw, r.ifaces[n].offset); ok {
		r.at = stamp
	}
}

// count numbers packets and records; the numbers do not depend on whether a block can be read.
func (r *Reader) count(kind uint32) {
	switch {
	case isPacket(kind):
		r.packets++
	case kind == JournalBlock:
		r.records++
	}
}

// section reads a section header: only its magic tells the byte order of its length.
func (r *Reader) section(at int64) error {
	const block = "section header"
	switch binary.LittleEndian.Uint32(r.cur.data[r.pos+8:]) {
	case byteOrderMagic:
		r.big = false
	case 0x4D3C2B1A:
		r.big = true
	default:
		return r.fault(at, block, ErrNotCapture, "its byte-order magic is wrong")
	}
	length := r.u32(r.cur.data[r.pos+4:])
	if length < leastLength(sectionHeader) || length%4 != 0 || length > maxKept {
		return r.fault(at, block, ErrLength, "%d bytes", length)
	}
	whole, err := r.whole(at, sectionHeader, length)
	if err != nil {
		return err
	}
	r.started = true
	r.ifaces = r.ifaces[:0]
	if !r.state.hangs() {
		r.broken(r.state.sectionAt, r.at, unchained)
	}
	r.mark(mark{kind: markSection})
	if r.state.section(at, r.packets); r.state.sections > 1 {
		r.event(capture.Event{At: r.at, Kind: capture.EventSection})
	}
	// The draft has readers take 1.2 for 1.0. Blocks of other versions are passed over.
	major, minor := r.u16(whole[12:]), r.u16(whole[14:])
	if r.unknown = major != 1 || minor != 0 && minor != 2; r.unknown {
		r.hurt(at, block, ErrVersion, "%d.%d; the section is passed over", major, minor)
	}
	r.pos += int(length)
	return nil
}
