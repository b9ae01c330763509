package session

import (
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
// What can be read is delivered. Where the framing is broken, it goes on behind that where whole blocks
// follow one another again, and tells of the damage. Where the file ends inside a block, or none follow, Next
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

	live    bool // the file is still written
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
	skip     uint32 // bytes left of it
	skipAt   int64
	skipKind uint32
	hole     hole // where the framing is broken

	batch *capture.Batch
	kept  int                    // bytes of record texts in batch
	wants func(kind uint32) bool // set by a walk: whether to look into a block; nil looks into all
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

// errPause is the answer of need when a batch that holds something would have to wait for the medium, and
// of a medium that is not waited for, that of a Tailed: Next then leaves the batch empty without an error.
var errPause = errors.New("nothing more is at hand")

// fill reads blocks until the batch is full or nothing more can be read. A live stream is not waited
// for with frames in hand.
func (r *Reader) fill(room int) error {
	for len(r.batch.Frames) < room && len(r.batch.Events) < capture.BatchFrames && r.kept < maxTexts {
		if r.hole.broken == nil {
			r.run(room)
			if len(r.batch.Frames) == room {
				return nil
			}
			r.pass()
		}
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
		if !r.state.bare && !r.state.hangs() { // a bare header was torn while a section was added
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
	case err == nil || err == errPause:
		return err
	case err != io.EOF:
		return &MediumError{File: r.name, Offset: r.feed.offset, Err: err}
	case len(carry) == 0:
		return io.EOF
	default:
		return io.ErrUnexpectedEOF
	}
}

// holds reports whether a whole block that was not parsed yet is in memory.
func (r *Reader) holds() bool {
	if r.cur == nil {
		return false
	}
	rest := r.cur.data[r.pos:]
	switch {
	case r.skip > 0:
		return len(rest) >= 4
	case r.classic != nil:
		return len(rest) >= classicPacket && uint64(r.classic.order.Uint32(rest[8:])) <= uint64(len(rest)-classicPacket)
	}
	return len(rest) >= blockHead+4 && uint64(r.u32(rest[4:])) <= uint64(len(rest))
}

// u16, u32 and u64 read in the byte order of the section.
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
