package session

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"ridewitness/capture"
)

// Reader reads a session file, or any pcapng or pcap file, forward only: a pipe is as good as a file.
// It is a capture.Source. It is not safe for concurrent use.
//
// What can be read is delivered. Where the file ends inside a block, or its framing is broken, Next
// ends with io.EOF as at a clean end, and Integrity says what happened and from where on; only a file
// that is no capture at all, or a medium that fails, is an error.
type Reader struct {
	name string
	feed *feeder
	cur  *chunk
	pos  int   // in cur.data
	base int64 // offset of cur.data[0] in the file
	err  error // sticky

	big     bool // the section's byte order
	classic *classicHeader
	started bool  // a section header was read
	skip    int64 // bytes left of a block that is too long to keep
	ifaces  []iface
	names   []string // by BusID
	last    [capture.MaxBuses]capture.Stamp
	at      capture.Stamp // of the last timed packet
	packets uint64
	records uint64
	state   integrityState
	batch   *capture.Batch
	damage  int
}

// iface is one interface of the present section.
type iface struct {
	bus    capture.BusID
	link   uint16
	usable bool
	unit   timeUnit
	offset int64 // if_tsoffset, seconds
	snap   uint32
}

// Bounds of one section and of what is told about damage.
const (
	maxInterfaces = 4096
	maxDamage     = 1000
)

// Option changes how a Reader reads.
type Option func(*readerOptions)

type readerOptions struct{ digest bool }

// WithoutDigest leaves out the hash, for walks that only look at frames. Integrity then says
// unsealed at best.
func WithoutDigest() Option { return func(o *readerOptions) { o.digest = false } }

// NewReader returns a Reader of r; name stands for it in errors. Close it when it is left before
// the end.
func NewReader(r io.Reader, name string, options ...Option) *Reader {
	o := readerOptions{digest: true}
	for _, set := range options {
		set(&o)
	}
	return &Reader{name: name, feed: newFeeder(r, o.digest), state: integrityState{digest: o.digest}}
}

// Next implements capture.Source.
func (r *Reader) Next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	if err := ctx.Err(); err != nil {
		return err
	}
	if r.err != nil {
		return r.err
	}
	room := cap(into.Frames)
	if room == 0 {
		room = capture.BatchFrames
	}
	r.batch = into
	err := r.fill(room)
	r.batch = nil
	if err != nil {
		r.finish(err)
	}
	if len(into.Frames) > 0 || len(into.Events) > 0 {
		return nil
	}
	return r.err
}

// fill reads blocks until the batch is full or nothing more can be read.
func (r *Reader) fill(room int) error {
	for len(r.batch.Frames) < room && len(r.batch.Events) < capture.BatchFrames {
		if err := r.block(); err != nil {
			return err
		}
	}
	return nil
}

// finish makes the end sticky. Broken framing after the first section header is no error: what came
// before stays usable, and Integrity tells.
func (r *Reader) finish(err error) {
	if r.cur != nil {
		r.cur.used = r.pos
		r.feed.back(r.cur)
		r.base, r.cur, r.pos = r.tell(), nil, 0
	}
	r.state.stop(err, Place{Offset: r.base, At: r.at, Packet: r.packets})
	r.feed.close()
	r.err = err
	var format *FormatError
	if errors.As(err, &format) && r.started {
		r.err = io.EOF
	}
}

// Close ends the reader before the end of the file.
func (r *Reader) Close() {
	r.feed.close()
	if r.err == nil {
		r.err = io.ErrClosedPipe
	}
}

// Integrity returns the verdict on the whole file. Call it once Next has returned io.EOF.
func (r *Reader) Integrity() Integrity { return r.state.conclude(&r.feed.digest) }

// Buses returns the names of the buses so far, by BusID.
func (r *Reader) Buses() []string { return r.names }

// tell returns the offset in the file of the next byte to be parsed.
func (r *Reader) tell() int64 { return r.base + int64(r.pos) }

// need makes n bytes available from pos on. io.EOF means that the file ends before the first of
// them, io.ErrUnexpectedEOF that it ends among them.
func (r *Reader) need(n int) error {
	for r.cur == nil || len(r.cur.data)-r.pos < n {
		if err := r.more(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Reader) more() error {
	var carry []byte
	if r.cur != nil {
		carry = r.cur.data[r.pos:]
		r.cur.used = r.pos
	}
	next, err := r.feed.next(carry)
	if err != nil {
		switch {
		case err != io.EOF:
			return &MediumError{File: r.name, Offset: r.feed.offset, Err: err}
		case len(carry) == 0:
			return io.EOF
		default:
			return io.ErrUnexpectedEOF
		}
	}
	if r.cur != nil {
		r.base += int64(r.pos)
		r.feed.back(r.cur)
	}
	r.cur, r.pos = next, 0
	return nil
}

// u16 and u32 read in the byte order of the section.
func (r *Reader) u16(b []byte) uint16 {
	if r.big {
		return binary.BigEndian.Uint16(b)
	}
	return binary.LittleEndian.Uint16(b)
}

func (r *Reader) u32(b []byte) uint32 {
	if r.big {
		return binary.BigEndian.Uint32(b)
	}
	return binary.LittleEndian.Uint32(b)
}

func (r *Reader) u64(b []byte) uint64 {
	if r.big {
		return binary.BigEndian.Uint64(b)
	}
	return binary.LittleEndian.Uint64(b)
}

// fault returns a FormatError at an offset.
func (r *Reader) fault(at int64, block string, cause error, detail string, args ...any) *FormatError {
	return &FormatError{File: r.name, Offset: at, Block: block, Err: cause, Detail: fmt.Sprintf(detail, args...)}
}

// hurt tells of something that was left out.
func (r *Reader) hurt(err *FormatError) {
	r.damage++
	if r.damage > maxDamage {
		return
	}
	r.event(capture.Event{At: r.at, Kind: capture.EventDamage, Err: err})
}

func (r *Reader) event(e capture.Event) {
	e.Index, e.Packet = len(r.batch.Frames), r.packets
	r.batch.Events = append(r.batch.Events, e)
}

// blockHead is the least of every block: type and length.
const blockHead = 8

// block reads one block, or one record of a classic file.
func (r *Reader) block() error {
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
		if binary.BigEndian.Uint32(head) != sectionHeader {
			return r.fault(at, "file", ErrNotCapture, "%s", describe(head))
		}
	}
	if binary.BigEndian.Uint32(head) == sectionHeader {
		return r.section(at)
	}
	kind, length := r.u32(head), r.u32(head[4:])
	if err := r.checkLength(at, kind, length); err != nil {
		return err
	}
	if length > maxKept {
		r.event(capture.Event{At: r.at, Kind: capture.EventDamage, Err: r.fault(at, blockName(kind), ErrTooMany,
			"%d bytes, at most %d are kept; it is skipped", length, maxKept)})
		r.skip = int64(length)
		return nil
	}
	if err := r.need(int(length)); err != nil {
		return r.short(err, at, blockName(kind))
	}
	whole := r.cur.data[r.pos : r.pos+int(length)]
	if r.u32(whole[length-4:]) != length {
		return r.fault(at, blockName(kind), ErrTrailer, "%d and %d", length, r.u32(whole[length-4:]))
	}
	r.state.more()
	r.body(at, kind, whole)
	r.pos += int(length)
	return nil
}

// short turns the end of the file inside a block into what it is.
func (r *Reader) short(err error, at int64, block string) error {
	if err == io.ErrUnexpectedEOF {
		if r.cur != nil && r.started && len(bytes.Trim(r.cur.data[r.pos:], "\x00")) == 0 {
			return r.fault(at, block, ErrZeros, "")
		}
		if !r.started {
			return r.fault(at, "file", ErrNotCapture, "it ends after %d bytes", r.feed.offset)
		}
		return r.fault(at, block, ErrTruncated, "")
	}
	if err == io.EOF && !r.started {
		return r.fault(at, "file", ErrNotCapture, "it is empty")
	}
	return err
}

// checkLength refuses a length that no block can have before anything is read or skipped by it.
func (r *Reader) checkLength(at int64, kind, length uint32) error {
	switch {
	case kind == 0 && length == 0:
		return r.fault(at, "block", ErrZeros, "")
	case kind>>8 == sectionHeader>>8 || kind&0xFFFF == 0x0D0A && kind>>16&0xFF == 0x0D || kind == 0x0D0D0A00|kind&0xFF:
		return r.fault(at, "block", ErrTextMode, "")
	case length < 12 || length%4 != 0 || length < leastLength(kind):
		return r.fault(at, blockName(kind), ErrLength, "%d bytes, at least %d and a multiple of 4 were expected", length, leastLength(kind))
	case length > MaxBlock:
		return r.fault(at, blockName(kind), ErrTooLong, "%d bytes, at most %d", length, MaxBlock)
	}
	return nil
}

// skipOn passes over what is left of a long block.
func (r *Reader) skipOn() error {
	at := r.tell()
	if err := r.need(1); err != nil {
		if err == io.EOF {
			return r.fault(at, "block", ErrTruncated, "")
		}
		return err
	}
	n := min(r.skip, int64(len(r.cur.data)-r.pos))
	r.skip -= n
	r.pos += int(n)
	return nil
}

// body reads a whole block, from its type to its second length.
func (r *Reader) body(at int64, kind uint32, whole []byte) {
	body := whole[blockHead : len(whole)-4]
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
		r.journal(at, whole, body)
	default:
		// Name resolution, secrets, custom blocks and what others keep for themselves.
	}
}

// section reads a section header: only its magic tells the byte order of its length.
func (r *Reader) section(at int64) error {
	const block = "section header"
	big := false
	switch binary.LittleEndian.Uint32(r.cur.data[r.pos+8:]) {
	case byteOrderMagic:
	case 0x4D3C2B1A:
		big = true
	default:
		return r.fault(at, block, ErrNotCapture, "its byte-order magic is wrong")
	}
	r.big = big
	length := r.u32(r.cur.data[r.pos+4:])
	if length < 28 || length%4 != 0 || length > maxKept {
		return r.fault(at, block, ErrLength, "%d bytes", length)
	}
	if err := r.need(int(length)); err != nil {
		return r.short(err, at, block)
	}
	whole := r.cur.data[r.pos : r.pos+int(length)]
	if r.u32(whole[length-4:]) != length {
		return r.fault(at, block, ErrTrailer, "%d and %d", length, r.u32(whole[length-4:]))
	}
	if major, minor := r.u16(whole[12:]), r.u16(whole[14:]); major != 1 || minor != 0 && minor != 2 {
		return r.fault(at, block, ErrVersion, "%d.%d", major, minor)
	}
	r.started = true
	r.ifaces = r.ifaces[:0]
	r.cur.marks = append(r.cur.marks, mark{at: r.pos, kind: markSection})
	r.state.section(at, r.at, r.packets)
	r.pos += int(length)
	return nil
}

// describe reads an interface description.
func (r *Reader) describe(at int64, body []byte) {
	const block = "interface description"
	if len(r.ifaces) == maxInterfaces {
		r.hurt(r.fault(at, block, ErrTooMany, "at most %d interfaces of one section", maxInterfaces))
		return
	}
	i := iface{link: r.u16(body), snap: r.u32(body[4:]), unit: microseconds}
	name := ""
	r.options(at, block, body[8:], func(code uint16, value []byte) {
		switch {
		case code == optInterfaceName && name == "":
			name = string(value[:clip(value)])
		case code == optTimeResolution && len(value) == 1:
			i.unit = unitOf(value[0])
		case code == optTimeOffset && len(value) == 8:
			i.offset = int64(r.u64(value))
		}
	})
	i.usable = i.link == LinkSocketCAN && i.unit.kind != unitUnsupported
	if i.link != LinkSocketCAN {
		r.hurt(r.fault(at, block, ErrLinkType, "%s", linkText(i.link)))
	}
	if i.unit.kind == unitUnsupported {
		r.hurt(r.fault(at, block, ErrTimeUnit, "if_tsresol 0x%02X", i.unit.raw))
	}
	if i.usable {
		i.bus, i.usable = r.bus(at, name)
	}
	r.ifaces = append(r.ifaces, i)
}

// bus returns the bus of that name; an interface without one is named after its place.
func (r *Reader) bus(at int64, name string) (capture.BusID, bool) {
	if name == "" {
		name = fmt.Sprintf("bus%d", len(r.ifaces))
	}
	for i, n := range r.names {
		if n == name {
			return capture.BusID(i), true
		}
	}
	if len(r.names) == capture.MaxBuses {
		r.hurt(r.fault(at, "interface description", ErrTooMany, "at most %d buses", capture.MaxBuses))
		return 0, false
	}
	r.names = append(r.names, name)
	id := capture.BusID(len(r.names) - 1)
	r.event(capture.Event{At: r.at, Kind: capture.EventBus, Bus: id, Name: name})
	return id, true
}

// clip returns the length of a string option: up to a zero byte, and bounded.
func clip(value []byte) int {
	const longest = 256
	if i := bytes.IndexByte(value, 0); i >= 0 {
		value = value[:i]
	}
	return min(len(value), longest)
}

// options calls each for every option. A list that runs past its end is damage to the options only.
func (r *Reader) options(at int64, block string, list []byte, each func(code uint16, value []byte)) {
	for len(list) >= 4 {
		code, n := r.u16(list), int(r.u16(list[2:]))
		if code == 0 {
			return
		}
		padded := 4 + (n+3)&^3
		if padded > len(list) {
			r.hurt(r.fault(at, block, ErrOptions, "option %d of %d bytes", code, n))
			return
		}
		each(code, list[4:4+n])
		list = list[padded:]
	}
}

// iface returns the interface that a packet names, nil where there is none.
func (r *Reader) iface(at int64, block string, n uint32) *iface {
	if n < uint32(len(r.ifaces)) {
		return &r.ifaces[n]
	}
	r.hurt(r.fault(at, block, ErrInterface, "interface %d of %d", n, len(r.ifaces)))
	return nil
}

// packetMeta is what the options of a packet say.
type packetMeta struct {
	flags   capture.Flags
	dropped uint64
}

// enhanced reads an enhanced packet.
func (r *Reader) enhanced(at int64, body []byte) {
	const block = "enhanced packet"
	r.packets++
	i := r.iface(at, block, r.u32(body))
	if i == nil {
		return
	}
	raw := uint64(r.u32(body[4:]))<<32 | uint64(r.u32(body[8:]))
	captured, original := r.u32(body[12:]), r.u32(body[16:])
	if uint64(captured) > uint64(len(body)-20) {
		r.hurt(r.fault(at, block, ErrLength, "%d bytes captured, %d are there", captured, len(body)-20))
		return
	}
	data := body[20 : 20+captured]
	var meta packetMeta
	if rest := body[20+int(captured+3)&^3:]; len(rest) >= 4 {
		meta = r.meta(at, block, rest)
	}
	r.frame(at, block, i, raw, data, original, meta)
}

// meta reads the options of a packet.
func (r *Reader) meta(at int64, block string, list []byte) (m packetMeta) {
	// Not by options: a function value per packet costs more than the rest of the parse.
	for len(list) >= 4 {
		code, n := r.u16(list), int(r.u16(list[2:]))
		if code == 0 {
			return m
		}
		padded := 4 + (n+3)&^3
		if padded > len(list) {
			r.hurt(r.fault(at, block, ErrOptions, "option %d of %d bytes", code, n))
			return m
		}
		switch {
		case code == optPacketFlags && n == 4:
			switch r.u32(list[4:]) & 3 {
			case 1:
				m.flags = capture.Inbound
			case 2:
				m.flags = capture.Outbound
			}
		case code == optDropCount && n == 8:
			m.dropped = r.u64(list[4:])
		}
		list = list[padded:]
	}
	return m
}

// obsolete reads a packet block of the first drafts.
func (r *Reader) obsolete(at int64, body []byte) {
	const block = "packet (obsolete)"
	r.packets++
	i := r.iface(at, block, uint32(r.u16(body)))
	if i == nil {
		return
	}
	meta := packetMeta{}
	if drops := r.u16(body[2:]); drops != 0xFFFF {
		meta.dropped = uint64(drops)
	}
	raw := uint64(r.u32(body[4:]))<<32 | uint64(r.u32(body[8:]))
	captured, original := r.u32(body[12:]), r.u32(body[16:])
	if uint64(captured) > uint64(len(body)-20) {
		r.hurt(r.fault(at, block, ErrLength, "%d bytes captured, %d are there", captured, len(body)-20))
		return
	}
	r.frame(at, block, i, raw, body[20:20+captured], original, meta)
}

// simple reads a simple packet: of the first interface, without a time.
func (r *Reader) simple(at int64, body []byte) {
	const block = "simple packet"
	r.packets++
	i := r.iface(at, block, 0)
	if i == nil {
		return
	}
	original := r.u32(body)
	captured := original
	if i.snap != 0 {
		captured = min(captured, i.snap)
	}
	if uint64(captured) > uint64(len(body)-4) {
		r.hurt(r.fault(at, block, ErrLength, "%d bytes captured, %d are there", captured, len(body)-4))
		return
	}
	r.untimed(at, block, i, body[4:4+captured], original)
}

func (r *Reader) untimed(at int64, block string, i *iface, data []byte, original uint32) {
	if !i.usable {
		return
	}
	f := r.grow()
	if !r.record(at, block, f, data, original) {
		return
	}
	f.At, f.Packet, f.Bus = r.at, r.packets, i.bus
	f.Flags |= capture.Untimed
}

// frame adds a timed frame to the batch.
func (r *Reader) frame(at int64, block string, i *iface, raw uint64, data []byte, original uint32, meta packetMeta) {
	if !i.usable {
		return
	}
	stamp, ok := i.unit.stamp(raw, i.offset)
	if !ok {
		r.hurt(r.fault(at, block, ErrTimeUnit, "its time lies outside the years 1678 to 2262"))
		return
	}
	if meta.dropped > 0 {
		r.event(capture.Event{At: stamp, Kind: capture.EventLoss, Bus: i.bus, Count: meta.dropped})
	}
	if last := r.last[i.bus]; stamp < last {
		r.event(capture.Event{At: stamp, Kind: capture.EventTimeBack, Bus: i.bus, Count: uint64(last - stamp)})
	}
	f := r.grow()
	if !r.record(at, block, f, data, original) {
		return
	}
	r.last[i.bus], r.at = stamp, stamp
	f.At, f.Packet, f.Bus = stamp, r.packets, i.bus
	f.Flags |= meta.flags
}

// grow adds a zero frame to the batch.
func (r *Reader) grow() *capture.Frame {
	r.batch.Frames = append(r.batch.Frames, capture.Frame{})
	return &r.batch.Frames[len(r.batch.Frames)-1]
}

// record reads the frame in a packet; a damaged one is taken out of the batch again.
func (r *Reader) record(at int64, block string, f *capture.Frame, data []byte, original uint32) bool {
	problem := decodeRecord(f, data, original)
	if problem == "" {
		return true
	}
	r.batch.Frames = r.batch.Frames[:len(r.batch.Frames)-1]
	r.hurt(r.fault(at, block, ErrRecord, "packet %d: %s", r.packets, problem))
	return false
}

// statistics reads what the capture counted for an interface.
func (r *Reader) statistics(at int64, body []byte) {
	const block = "interface statistics"
	i := r.iface(at, block, r.u32(body))
	if i == nil || !i.usable {
		return
	}
	e := capture.Event{At: r.at, Kind: capture.EventCounters, Bus: i.bus, Received: -1, Dropped: -1}
	os := int64(-1)
	r.options(at, block, body[12:], func(code uint16, value []byte) {
		if len(value) != 8 {
			return
		}
		n := int64(r.u64(value) & (1<<63 - 1))
		switch code {
		case optReceived:
			e.Received = n
		case optDropped:
			e.Dropped = n
		case optOSDropped:
			os = n
		}
	})
	// Drops at the interface and in the system are two places; a frame is lost in one of them.
	if os >= 0 {
		e.Dropped = max(e.Dropped, 0) + os
	}
	r.event(e)
}
