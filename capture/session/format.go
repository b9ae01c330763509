package session

import (
	"encoding/binary"
	"fmt"
	"math/bits"

	"ridewitness/capture"
)

// Block types of pcapng (IETF draft-ietf-opsawg-pcapng).
const (
	sectionHeader        = 0x0A0D0D0A
	interfaceDescription = 1
	obsoletePacket       = 2
	simplePacket         = 3
	nameResolution       = 4
	interfaceStatistics  = 5
	enhancedPacket       = 6
	decryptionSecrets    = 10
	customCopy           = 0x00000BAD
	customNoCopy         = 0x40000BAD
	byteOrderMagic       = 0x1A2B3C4D

	// JournalBlock is the block of local use that holds a journal record.
	JournalBlock = 0x80525731
)

// Option codes.
const (
	optComment        = 1
	optApplication    = 4
	optInterfaceName  = 2
	optTimeResolution = 9
	optTimeOffset     = 14
	optPacketFlags    = 2
	optDropCount      = 4
	optReceived       = 4
	optDropped        = 5
	optOSDropped      = 7
)

// LinkSocketCAN is the link type of the frames that are read: 227.
const LinkSocketCAN = 227

// leastLength returns the least length of a block of that type.
func leastLength(kind uint32) uint32 {
	switch kind {
	case sectionHeader:
		return 28
	case interfaceDescription, decryptionSecrets:
		return 20
	case obsoletePacket, enhancedPacket:
		return 32
	case simplePacket, nameResolution, customCopy, customNoCopy:
		return 16
	case interfaceStatistics, JournalBlock:
		return 24
	default:
		return anyLength
	}
}

// anyLength is the least length of a block of unknown type.
const anyLength = 12

// isPacket reports whether the blocks of a type are numbered as packets.
func isPacket(kind uint32) bool {
	return kind == enhancedPacket || kind == simplePacket || kind == obsoletePacket
}

func blockName(kind uint32) string {
	switch kind {
	case sectionHeader:
		return "section header"
	case interfaceDescription:
		return "interface description"
	case obsoletePacket:
		return "packet (obsolete)"
	case simplePacket:
		return "simple packet"
	case nameResolution:
		return "name resolution"
	case interfaceStatistics:
		return "interface statistics"
	case enhancedPacket:
		return "enhanced packet"
	case JournalBlock:
		return "journal record"
	default:
		return fmt.Sprintf("block 0x%08X", kind)
	}
}

func linkText(link uint16) string {
	switch link {
	case 113, 276:
		return fmt.Sprintf("link type %d: a capture of all interfaces at once; record each bus by itself, with link type %d", link, LinkSocketCAN)
	default:
		return fmt.Sprintf("link type %d, only %d (SocketCAN) is read", link, LinkSocketCAN)
	}
}

// unitKind says how a time unit is turned into nanoseconds.
type unitKind uint8

const (
	unitUnsupported unitKind = iota
	unitNano                 // the raw number counts nanoseconds
	unitTimes                // coarser: times factor
	unitPart                 // finer than a nanosecond: per is the count of units in a second
	unitBinary               // 2^-shift s
)

// timeUnit is if_tsresol, worked out once per interface.
type timeUnit struct {
	kind   unitKind
	factor uint64
	shift  uint8
	raw    uint8
}

// String says the unit in words.
func (u timeUnit) String() string {
	if u.raw&0x80 != 0 {
		return fmt.Sprintf("2^-%d s", u.raw&0x7F)
	}
	return fmt.Sprintf("10^-%d s", u.raw)
}

const second = 1_000_000_000

var microseconds = unitOf(6)

// unitOf reads if_tsresol. 10^-19 and 2^-63 are the finest whose count per second fits 64 bits.
func unitOf(raw uint8) timeUnit {
	u := timeUnit{raw: raw}
	n := raw & 0x7F
	switch {
	case raw&0x80 != 0 && n <= 63:
		u.kind, u.shift = unitBinary, n
	case raw&0x80 != 0:
	case n == 9:
		u.kind = unitNano
	case n < 9:
		u.kind, u.factor = unitTimes, power10(9-n)
	case n <= 19:
		u.kind, u.factor = unitPart, power10(n-9)
	}
	return u
}

func power10(n uint8) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

// stamp turns a raw time into a Stamp, exactly, cut to whole nanoseconds. It reports false where the
// result lies outside the years 1970 to 2262.
func (u timeUnit) stamp(raw uint64, offset int64) (capture.Stamp, bool) {
	if u.kind == unitNano && offset == 0 {
		return capture.Stamp(raw), raw < 1<<63
	}
	hi, lo := uint64(0), raw
	switch u.kind {
	case unitTimes:
		hi, lo = bits.Mul64(raw, u.factor)
	case unitPart:
		lo = raw / u.factor
	case unitBinary:
		// seconds and the part of one are worked out apart, in 128 bits: rounding the unit to whole
		// nanoseconds would be wrong by a thousandth.
		part := raw & (1<<u.shift - 1)
		ph, pl := bits.Mul64(part, second)
		ns := pl >> u.shift
		if u.shift > 0 {
			ns |= ph << (64 - u.shift)
		}
		var carry uint64
		hi, lo = bits.Mul64(raw>>u.shift, second)
		lo, carry = bits.Add64(lo, ns, 0)
		hi += carry
	}
	if hi != 0 || lo >= 1<<63 {
		return 0, false
	}
	return addSeconds(int64(lo), offset)
}

func addSeconds(ns, offset int64) (capture.Stamp, bool) {
	const most = (1<<63 - 1) / second
	if offset > most || offset < -most {
		return 0, false
	}
	sum := ns + offset*second
	if offset > 0 && sum < ns || offset < 0 && sum > ns {
		return 0, false
	}
	return capture.Stamp(sum), sum >= 0
}

// Flags of a SocketCAN record.
const (
	recordExtended = 1 << 31
	recordRemote   = 1 << 30
	recordError    = 1 << 29
	recordIDMask   = 1<<29 - 1
	recordHead     = 8 // bytes before the payload

	recordBRS = 0x01
	recordESI = 0x02
	recordFDF = 0x04
	recordXL  = 0x80
)

// recordFlags are the flags that bits 29, 30 and 31 of a record's identifier stand for.
var recordFlags = [8]capture.Flags{
	recordError >> 29:                                   capture.Error,
	recordRemote >> 29:                                  capture.Remote,
	(recordRemote | recordError) >> 29:                  capture.Remote | capture.Error,
	recordExtended >> 29:                                capture.Extended,
	(recordExtended | recordError) >> 29:                capture.Extended | capture.Error,
	(recordExtended | recordRemote) >> 29:               capture.Extended | capture.Remote,
	(recordExtended | recordRemote | recordError) >> 29: capture.Extended | capture.Remote | capture.Error,
}

// recordProblem says what is wrong with a record.
type recordProblem uint8

const (
	recordFine recordProblem = iota
	recordShort
	recordIsXL
	recordWideID
	recordLong
)

// text says it in words. They are put together only when they are told: a file may hold millions.
func (p recordProblem) text(data []byte) string {
	switch p {
	case recordShort:
		return fmt.Sprintf("%d bytes, a frame has at least %d", len(data), recordHead)
	case recordIsXL:
		return "a CAN XL frame, which is not read"
	case recordWideID:
		return fmt.Sprintf("0x%X is no identifier of 11 bits", binary.BigEndian.Uint32(data)&recordIDMask)
	default:
		return fmt.Sprintf("a payload of %d bytes, more than its kind of frame has", data[4])
	}
}

// decodeRecord reads the record of link type 227 into a frame that holds no data yet. The frame is
// whole only where the record is fine.
func decodeRecord(f *capture.Frame, data []byte, original uint32) recordProblem {
	original = max(original, uint32(len(data))) // the draft lets a reader raise it
	if len(data) < recordHead {
		return recordShort
	}
	if data[4]&recordXL != 0 {
		return recordIsXL
	}
	bits := binary.BigEndian.Uint32(data)
	id, flags := capture.ID(bits&recordIDMask), recordFlags[bits>>29]
	if flags&(capture.Extended|capture.Error) == 0 && id > capture.MaxStandardID {
		return recordWideID
	}
	n, most := int(data[4]), capture.MaxClassicData
	if original == recordHead+capture.MaxData || data[5]&recordFDF != 0 {
		most = capture.MaxData
		flags |= fdFlags(data[5])
	}
	if n > most {
		return recordLong
	}
	if flags&capture.Remote == 0 {
		if have := len(data) - recordHead; have < n {
			n = have
			flags |= capture.Cut
		}
		copyPayload(&f.Data, data[recordHead:], n)
	}
	f.ID, f.Len = id, uint8(n)
	f.Flags |= flags
	return recordFine
}

// copyPayload copies n bytes, at most 64. Those of a classic frame go in one piece, with what lies behind them
// masked away: lengths that vary from frame to frame make a copy cost twice as much.
func copyPayload(into *[capture.MaxData]byte, from []byte, n int) {
	if n > 8 || cap(from) < 8 {
		copy(into[:], from[:n])
		return
	}
	binary.LittleEndian.PutUint64(into[:], binary.LittleEndian.Uint64(from[:8])&(1<<(8*n)-1))
}

// isLength reports whether a frame can have that many bytes: 0 to 8, and the steps of ISO 11898-1 for FD.
func isLength(n uint8) bool {
	switch n {
	case 12, 16, 20, 24, 32, 48, 64:
		return true
	}
	return n <= capture.MaxClassicData
}

func fdFlags(b byte) capture.Flags {
	flags := capture.FD
	if b&recordBRS != 0 {
		flags |= capture.BitRateSwitch
	}
	if b&recordESI != 0 {
		flags |= capture.ErrorState
	}
	return flags
}

// describe says what a file that is no capture looks like.
func describe(head []byte) string {
	switch {
	case string(head[:4]) == "\x89PNG" || head[0] == 0xFF && head[1] == 0xD8:
		return "it looks like a picture"
	case string(head[:2]) == "PK":
		return "it looks like a zip archive"
	case head[0] == 0x1F && head[1] == 0x8B:
		return "it is compressed; uncompress it first"
	case printable(head):
		return "it looks like text"
	default:
		return fmt.Sprintf("it begins with % X", head[:4])
	}
}

func printable(b []byte) bool {
	for _, c := range b {
		if c < 0x20 && c != '\n' && c != '\r' && c != '\t' || c == 0x7F {
			return false
		}
	}
	return true
}
