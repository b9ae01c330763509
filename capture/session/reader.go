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
	name  string
	feed  *feeder
	cur   *chunk
	pos   int   // in cur.data
	base  int64 // offset of cur.data[0] in the file
	err   error // sticky
	stop  error // broken framing, which ends the reading but is no error
	torn  bool  // nothing whole lies behind it
	state integrityState

	started bool // a section header, or the header of a classic file, was read
	big     bool // the section's byte order
	unknown bool // the section's version is unknown: its blocks are passed over
	classic *classicHeader
	ifaces  []iface
	names   []string // by BusID
	last    [capture.MaxBuses]capture.Stamp
	at      capture.Stamp // of the last timed packet
	packets uint64
	records uint64
	damage  int

	// A block that is too long to keep is passed over piece by piece.
	skip       uint32 // bytes left of it
	skipAt     int64
	skipKind   uint32
	skipIntact bool // whole blocks lie in it: its length can't be right

	batch *capture.Batch
	kept  int                    // bytes of record texts in batch
	wants func(kind uint32) bool // set by a walk: whether to look into a block; nil looks into all
}

// iface is one interface of the present section.
type iface struct {
	bus    capture.BusID
	link   uint16
	usable bool
	plain  bool // usable, and its times are stamps as they stand
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
	return &Reader{name: name, feed: newFeeder(r, o.digest)}
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
	if cap(into.Frames) == 0 {
		into.Frames = make([]capture.Frame, 0, capture.BatchFrames)
	}
	r.batch, r.kept = into, 0
	err := r.fill(cap(into.Frames))
	if err != nil {
		r.finish(err)
	}
	r.batch = nil
	if len(into.Frames) > 0 || len(into.Events) > 0 {
		return nil
	}
	return r.err
}

// maxTexts bounds the texts of the journal records in a batch, in bytes.
const maxTexts = 256 << 10

// errPause is the answer of need when a batch that holds something would have to wait for the medium.
var errPause = errors.New("nothing more is at hand")

// fill reads blocks until the batch is full or nothing more can be read. A live stream is not waited
// for with frames in hand.
func (r *Reader) fill(room int) error {
	for len(r.batch.Frames) < room && len(r.batch.Events) < capture.BatchFrames && r.kept < maxTexts {
		r.run(room)
		if len(r.batch.Frames) == room {
			return nil
		}
		r.pass()
		if err := r.block(); err != nil {
			if err == errPause {
				return nil
			}
			return err
		}
	}
	return nil
}

// finish makes the end sticky. Broken framing after the first section header is no error: what came
// before stays usable, and Integrity tells.
func (r *Reader) finish(err error) {
	r.err = err
	var format *FormatError
	if errors.As(err, &format) && r.started {
		r.judge(format)
		r.stop, r.err = format, io.EOF
	}
	if r.cur != nil {
		if !r.state.hangs() {
			r.broken(r.state.sectionAt, r.at, unchained)
		}
		r.cur.used = r.pos
		r.base, r.pos = r.tell(), 0
		r.feed.back(r.cur)
		r.cur = nil
	}
	r.feed.close()
}

// Close ends the reader before the end of the file.
func (r *Reader) Close() {
	r.feed.close()
	if r.err == nil {
		r.err = io.ErrClosedPipe
	}
}

// Integrity returns the verdict on the whole file, once Next has returned io.EOF; before that, and
// when the medium failed, nothing is known.
func (r *Reader) Integrity() Integrity {
	if r.err != io.EOF {
		return Integrity{Why: "it was not read to its end"}
	}
	end := Place{Offset: r.base, At: r.at, Packet: r.packets}
	var format *FormatError
	if errors.As(r.stop, &format) {
		end.Offset = format.Offset
	}
	return r.state.conclude(&r.feed.digest, end, r.stop, r.torn)
}

// Buses returns the names of the buses so far, by BusID.
func (r *Reader) Buses() []string { return r.names }

// Offset returns how many bytes of the file are through, for showing progress.
func (r *Reader) Offset() int64 { return r.tell() }

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

// more reads on. The chunk is filled first, so that a stream that comes in small pieces isn't copied
// at each of them.
func (r *Reader) more() error {
	const worthwhile = chunkSize / 4
	if r.batch != nil && (len(r.batch.Frames) > 0 || len(r.batch.Events) > 0) {
		return errPause
	}
	var carry []byte
	if r.cur != nil {
		carry = r.cur.data[r.pos:]
		if cap(r.cur.data)-len(r.cur.data) >= worthwhile {
			return r.ended(r.feed.extend(r.cur), carry)
		}
	}
	next, err := r.feed.next(carry)
	if err != nil {
		return r.ended(err, carry)
	}
	if r.cur != nil {
		r.cur.used = r.pos
		r.base += int64(r.pos)
		r.feed.back(r.cur)
	}
	r.cur, r.pos = next, 0
	return nil
}

// ended says what the end of the medium means with carry still to be parsed.
func (r *Reader) ended(err error, carry []byte) error {
	switch {
	case err == nil:
		return nil
	case err != io.EOF:
		return &MediumError{File: r.name, Offset: r.feed.offset, Err: err}
	case len(carry) == 0:
		return io.EOF
	default:
		return io.ErrUnexpectedEOF
	}
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

// hurt tells of something that was left out. Past a bound it is silent: a hostile file is made of
// nothing else.
func (r *Reader) hurt(at int64, block string, cause error, detail string, args ...any) {
	if r.muted() {
		return
	}
	r.damage++
	e := r.fault(at, block, cause, detail, args...)
	if r.muted() {
		e = r.fault(at, block, ErrTooMany, "damaged blocks; no more of them are told")
	}
	r.event(capture.Event{At: r.at, Kind: capture.EventDamage, Err: e})
}

// muted reports whether no more damage is told. Asking it first spares what a call of hurt costs.
func (r *Reader) muted() bool { return r.damage >= maxDamage }

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
	r.state.ended = false
	if length > maxKept {
		r.count(kind)
		r.hurt(at, blockName(kind), ErrTooMany, "%d bytes, at most %d are kept; it is skipped", length, maxKept)
		r.skip, r.skipAt, r.skipKind, r.skipIntact = length, at, kind, false
		return nil
	}
	whole, err := r.whole(at, kind, length)
	if err != nil {
		return err
	}
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

// judge looks through what lies behind broken framing, to tell a torn end from damage: behind a torn
// end there is no whole block. Nothing but zeros from a place before the break on is what a power cut
// leaves of a file whose length was written before its content.
func (r *Reader) judge(f *FormatError) {
	last, intact := r.behind()
	switch {
	case intact || r.skipIntact || errors.Is(f, ErrTextMode) || r.classic != nil && !errors.Is(f, ErrTruncated):
		if errors.Is(f, ErrTruncated) {
			f.Err, f.Detail = ErrLength, "the file ends inside it, and yet whole blocks follow"
		}
		return
	case r.skip == 0 && last < max(f.wrong, f.Offset):
		f.Err, f.Detail = ErrZeros, ""
	}
	r.torn = true
}

// maxBehind is how far behind a break whole blocks are looked for.
const maxBehind = 4 << 20

// behind reads on to the end of the medium, or to a whole block of a known type. It returns the offset
// of the last byte that is not zero, -1 for none, and whether there is such a block.
func (r *Reader) behind() (last int64, intact bool) {
	r.batch = nil // nothing is lost by waiting for the medium now
	last = -1
	from := r.tell()
	for r.need(1) == nil {
		rest := r.cur.data[r.pos:]
		if n := len(bytes.TrimRight(rest, "\x00")); n > 0 {
			last = r.tell() + int64(n) - 1
		}
		if r.classic == nil && r.tell()-from < maxBehind && r.intactAmong(rest) {
			return last, true
		}
		r.pos += len(rest)
	}
	return last, false
}

// intactAmong reports whether a whole block of a known type lies in b, but for its beginning.
func (r *Reader) intactAmong(b []byte) bool {
	for i := 1; i+blockHead <= len(b); i++ {
		kind, length := r.u32(b[i:]), r.u32(b[i+4:])
		if least := leastLength(kind); least > anyLength && length >= least && length%4 == 0 &&
			uint64(length) <= uint64(len(b)-i) && r.u32(b[i+int(length)-4:]) == length {
			return true
		}
	}
	return false
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
	if r.tell()-r.skipAt < maxKept {
		r.skipIntact = r.skipIntact || r.intactAmong(rest[:n])
	}
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

// describe reads an interface description.
func (r *Reader) describe(at int64, body []byte) {
	const block = "interface description"
	if len(r.ifaces) == maxInterfaces {
		r.hurt(at, block, ErrTooMany, "at most %d interfaces of one section", maxInterfaces)
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
		r.hurt(at, block, ErrLinkType, "%s", linkText(i.link))
	}
	if i.unit.kind == unitUnsupported {
		r.hurt(at, block, ErrTimeUnit, "if_tsresol 0x%02X", i.unit.raw)
	}
	if i.usable {
		i.bus, i.usable = r.bus(at, name)
		i.plain = i.usable && i.unit.kind == unitNano && i.offset == 0
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
		r.hurt(at, "interface description", ErrTooMany, "at most %d buses", capture.MaxBuses)
		return 0, false
	}
	r.names = append(r.names, name)
	id := capture.BusID(len(r.names) - 1)
	r.event(capture.Event{At: r.at, Kind: capture.EventBus, Bus: id, Name: name})
	return id, true
}

// maxName is the longest name of a bus, in bytes.
const maxName = 256

// clip returns the length of a string option: up to a zero byte, and bounded.
func clip(value []byte) int {
	if i := bytes.IndexByte(value, 0); i >= 0 {
		value = value[:i]
	}
	return min(len(value), maxName)
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
			r.hurt(at, block, ErrOptions, "option %d of %d bytes", code, n)
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
	if !r.muted() {
		r.hurt(at, block, ErrInterface, "interface %d of %d", n, len(r.ifaces))
	}
	return nil
}

// packet is what the three kinds of packet block say.
type packet struct {
	at       int64
	block    string
	iface    *iface
	raw      uint64
	data     []byte // as captured
	original uint32
	flags    capture.Flags
	dropped  uint64
}

// packetHead is the bytes between the head of a packet block and its data.
const packetHead = 20

// enhanced reads an enhanced packet.
func (r *Reader) enhanced(at int64, body []byte) {
	p := packet{at: at, block: "enhanced packet"}
	if p.iface = r.iface(at, p.block, r.u32(body)); p.iface == nil || !r.captured(&p, body) {
		return
	}
	if rest := body[packetHead:][(len(p.data)+3)&^3:]; len(rest) > 0 {
		r.packetOptions(&p, rest)
	}
	r.frame(&p)
}

// captured reads time, lengths and data, which lie alike in enhanced and obsolete packets.
func (r *Reader) captured(p *packet, body []byte) bool {
	p.raw = uint64(r.u32(body[4:]))<<32 | uint64(r.u32(body[8:]))
	n, room := r.u32(body[12:]), uint32(len(body)-packetHead)
	p.original = r.u32(body[16:])
	if n > room {
		r.hurt(p.at, p.block, ErrLength, "%d bytes captured, %d are there", n, room)
		return false
	}
	p.data = body[packetHead : packetHead+n]
	return true
}

// packetOptions reads the options of a packet.
func (r *Reader) packetOptions(p *packet, list []byte) {
	r.options(p.at, p.block, list, func(code uint16, value []byte) {
		switch {
		case code == optPacketFlags && len(value) == 4:
			p.flags = direction(r.u32(value))
		case code == optDropCount && len(value) == 8:
			p.dropped = r.u64(value)
		}
	})
}

// direction reads bits 0 and 1 of epb_flags.
func direction(flags uint32) capture.Flags {
	switch flags & 3 {
	case 1:
		return capture.Inbound
	case 2:
		return capture.Outbound
	}
	return 0
}

// obsolete reads a packet block of the first drafts.
func (r *Reader) obsolete(at int64, body []byte) {
	p := packet{at: at, block: "packet (obsolete)"}
	if p.iface = r.iface(at, p.block, uint32(r.u16(body))); p.iface == nil || !r.captured(&p, body) {
		return
	}
	if drops := r.u16(body[2:]); drops != 0xFFFF {
		p.dropped = uint64(drops)
	}
	if rest := body[packetHead:][(len(p.data)+3)&^3:]; len(rest) > 0 {
		r.packetOptions(&p, rest)
	}
	r.frame(&p)
}

// simple reads a simple packet: of the first interface, without a time.
func (r *Reader) simple(at int64, body []byte) {
	p := packet{at: at, block: "simple packet", flags: capture.Untimed}
	if p.iface = r.iface(at, p.block, 0); p.iface == nil {
		return
	}
	p.original = r.u32(body)
	n := p.original
	if p.iface.snap != 0 {
		n = min(n, p.iface.snap)
	}
	if uint64(n) > uint64(len(body)-4) {
		r.hurt(at, p.block, ErrLength, "%d bytes captured, %d are there", n, len(body)-4)
		return
	}
	p.data = body[4 : 4+n]
	r.frame(&p)
}

// frame adds the frame in a packet to the batch, behind the events that it brings.
func (r *Reader) frame(p *packet) {
	i := p.iface
	if !i.usable {
		return
	}
	f := capture.Frame{At: r.at, Packet: r.packets, Bus: i.bus, Flags: p.flags}
	if p.flags&capture.Untimed == 0 {
		var ok bool
		if f.At, ok = i.unit.stamp(p.raw, i.offset); !ok {
			r.hurt(p.at, p.block, ErrTimeUnit, "packet %d: its time lies outside the years 1970 to 2262", r.packets)
			return
		}
	}
	if problem := decodeRecord(&f, p.data, p.original); problem != recordFine {
		if !r.muted() {
			r.hurt(p.at, p.block, ErrRecord, "packet %d: %s", r.packets, problem.text(p.data))
		}
		return
	}
	if !isLength(f.Len) && f.Flags&capture.Cut == 0 {
		r.hurt(p.at, p.block, ErrRecord, "packet %d: a payload of %d bytes, which no frame has; it is kept", r.packets, f.Len)
	}
	if p.dropped > 0 {
		r.event(capture.Event{At: f.At, Kind: capture.EventLoss, Bus: i.bus, Count: p.dropped})
	}
	if p.flags&capture.Untimed == 0 {
		if last := r.last[i.bus]; f.At < last {
			r.event(capture.Event{At: f.At, Kind: capture.EventTimeBack, Bus: i.bus, Count: uint64(last - f.At)})
		}
		r.last[i.bus], r.at = f.At, f.At
	}
	r.batch.Frames = append(r.batch.Frames, f)
}

// statistics reads what the capture counted for an interface.
func (r *Reader) statistics(at int64, body []byte) {
	const block = "interface statistics"
	i := r.iface(at, block, r.u32(body))
	if i == nil || !i.usable {
		return
	}
	e := capture.Event{At: r.at, Kind: capture.EventCounters, Bus: i.bus, Received: -1, Dropped: -1}
	if stamp, ok := i.unit.stamp(uint64(r.u32(body[4:]))<<32|uint64(r.u32(body[8:])), i.offset); ok {
		e.At = stamp
	}
	// Drops at the interface and in the system are two places; a frame is lost in one of them.
	dropped := func(n int64) { e.Dropped = max(e.Dropped, 0) + n }
	r.options(at, block, body[12:], func(code uint16, value []byte) {
		if len(value) != 8 || r.u64(value) > maxCount {
			return
		}
		switch n := int64(r.u64(value)); code {
		case optReceived:
			e.Received = n
		case optDropped, optOSDropped:
			dropped(n)
		}
	})
	r.event(e)
}

// maxCount is the largest count that is believed; the sum of as many as a block can hold fits.
const maxCount = 1 << 40
