package session

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// hole is a place where the framing is broken, while what comes behind it is looked for.
//
//	[ whole blocks ][ broken framing ... ][ whole | whole | whole ]
//	                ^ broken             ^ here it goes on
type hole struct {
	broken *FormatError // nil: there is none
	last   int64        // offset of the last byte in it that is not zero, -1 for none
	intact bool         // single whole blocks lie in it
}

const (
	// landingRun is how many whole blocks it takes to go on: a frame's data may look like one, not like
	// three in a row.
	landingRun = 3
	// maxLanding is the longest of them. Nearly all blocks of a session are much shorter, and what only
	// looks like the head of a long one is not waited for.
	maxLanding = 64 << 10
)

// mayGoOn reports whether what lies behind broken framing is looked for. A file that is still written is
// not: there the break may be the recorder's own, and whoever watches has to know at once. Nor is one that
// was transferred in text mode, which is broken everywhere and can be had whole; and a classic file has
// nothing by which records are known.
func (r *Reader) mayGoOn(f *FormatError) bool {
	return r.started && !r.live && r.classic == nil && !r.muted() && !errors.Is(f, ErrTextMode)
}

// fall begins to look for what comes behind broken framing.
func (r *Reader) fall(f *FormatError) error {
	r.hole = hole{broken: f, last: -1}
	if r.tell() == f.Offset { // what begins there was looked at
		r.over(1)
	}
	return r.seek()
}

// over passes over bytes in a hole.
func (r *Reader) over(n int) {
	passed := r.cur.data[r.pos : r.pos+n]
	if k := len(bytes.TrimRight(passed, "\x00")); k > 0 {
		r.hole.last = r.tell() + int64(k) - 1
	}
	r.pos += n
}

// seek goes on looking, and lands where whole blocks follow one another. Its error is that of the broken
// framing where the file ends before.
func (r *Reader) seek() error {
	for {
		switch err := r.need(1); {
		case err == io.EOF:
			return r.hole.broken
		case err != nil:
			return err
		}
		rest := r.cur.data[r.pos:]
		l := r.landing(rest, r.feed.end == io.EOF)
		r.hole.intact = r.hole.intact || l.intact
		r.over(l.before)
		switch {
		case l.found:
			r.land()
			return nil
		case l.more:
			if err := r.need(len(rest) - l.before + 1); err != nil && err != io.ErrUnexpectedEOF {
				return err
			}
		}
	}
}

// land goes on behind a hole, and tells of it.
func (r *Reader) land() {
	f := r.hole.broken
	r.hole, r.skip = hole{}, 0
	f.notTorn()
	passed := fmt.Sprintf("%d bytes are passed over", r.tell()-f.Offset)
	if f.Detail != "" {
		passed = f.Detail + "; " + passed
	}
	f.Detail = passed
	r.state.block()
	r.mark(mark{kind: markHole, text: f.Error(), place: Place{Offset: f.Offset, At: r.at, Packet: r.packets}})
	r.hurt(f.Offset, f.Block, f.Err, "%s", passed)
}

// landing is what was seen of a place where whole blocks of known types follow one another.
type landing struct {
	found  bool
	more   bool // more bytes are wanted to decide
	intact bool // there are single whole blocks
	before int  // bytes before the place, or before the first one that is not decided
}

// landing looks for the first place in b where three whole blocks follow one another, or as many as there
// are up to the end of the file, where b is the last of it.
func (r *Reader) landing(b []byte, last bool) (l landing) {
	for ; l.before+blockHead+4 <= len(b); l.before++ {
		if leastLength(r.u32(b[l.before:])) == anyLength {
			continue // as nearly everywhere
		}
		whole, more := r.wholeAt(b[l.before:])
		l.found = whole == landingRun || whole > 0 && more && last
		l.more = more && !last
		if l.found || l.more {
			return l
		}
		l.intact = l.intact || whole > 0
	}
	if l.more = !last; last {
		l.before = len(b)
	}
	return l
}

// wholeAt counts the whole blocks at the beginning of b, and reports whether more bytes are wanted to
// know of the next one.
func (r *Reader) wholeAt(b []byte) (whole int, more bool) {
	big := r.big
	for ; whole < landingRun; whole++ {
		if len(b) < blockHead+4 {
			return whole, true
		}
		if binary.LittleEndian.Uint32(b) == sectionHeader { // the same in either order
			big = binary.BigEndian.Uint32(b[blockHead:]) == byteOrderMagic
		}
		order := binary.ByteOrder(binary.LittleEndian)
		if big {
			order = binary.BigEndian
		}
		kind, length := order.Uint32(b), order.Uint32(b[4:])
		if least := leastLength(kind); least <= anyLength || length < least || length%4 != 0 || length > maxLanding {
			return whole, false
		}
		if uint64(length) > uint64(len(b)) {
			return whole, true
		}
		if order.Uint32(b[length-4:]) != length {
			return whole, false
		}
		b = b[length:]
	}
	return whole, false
}

// judge tells a torn end from damage: behind a torn end there is no whole block. Nothing but zeros from a
// place before the break on is what a power cut leaves of a file whose length was written before its
// content.
func (r *Reader) judge(f *FormatError) {
	if r.hole.broken == nil {
		r.behind()
	}
	switch {
	case r.hole.intact || errors.Is(f, ErrTextMode) || r.classic != nil && !errors.Is(f, ErrTruncated):
		f.notTorn()
		return
	case r.skip == 0 && r.hole.last < max(f.wrong, f.Offset):
		f.Err, f.Detail = ErrZeros, ""
	}
	r.torn = true
}

// notTorn says of a block in which the file seems to end that its length is wrong, since whole blocks follow.
func (e *FormatError) notTorn() {
	if errors.Is(e, ErrTruncated) {
		e.Err, e.Detail = ErrLength, "the file ends inside it, and yet whole blocks follow"
	}
}

// behind reads what is at hand behind a break at which the reading ends.
func (r *Reader) behind() {
	r.batch = nil // nothing is lost by waiting for the medium now
	r.hole.last = -1
	for r.need(1) == nil {
		if rest := r.cur.data[r.pos:]; r.classic == nil && len(rest) > 1 {
			l := r.landing(rest[1:], true)
			r.hole.intact = r.hole.intact || l.found || l.intact
		}
		r.over(len(r.cur.data) - r.pos)
	}
}
