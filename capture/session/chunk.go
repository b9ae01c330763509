package session

import (
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"io"
	"sync"
)

// Bounds of what is kept in memory, whatever a file claims.
const (
	chunkSize = 256 << 10 // of one read; 1 MiB gains nothing
	chunks    = 4         // buffers that parser and digest share
	// MaxBlock is the longest block that a capture may have; longer ones are refused before anything
	// is allocated or skipped.
	MaxBlock = 16 << 20
	// maxKept is the longest block that is held in memory whole: a longer one is skipped.
	maxKept = 1 << 20
)

// chunk is one read of the file, with what the parser left of the one before in front of it. The
// digest follows the parser, not the file: it takes what has been parsed, so that a seal is always
// met in the chunk in which its block is parsed.
type chunk struct {
	data  []byte
	used  int    // bytes that the parser is through with; the rest is carried on
	marks []mark // where the digest has something to do, in order
}

// markKind says what the digest has to do.
type markKind uint8

const (
	markSection markKind = iota // a section begins here
	markSeal                    // text is the digest that a seal claims
	markChain                   // text and bytes are what the section claims of the one before
	markBroken                  // text is what the parser found to be wrong
	markHole                    // text is why bytes from place on were passed over
)

// mark tells the digest what to do at a place in a chunk. What the parser finds wrong goes the same
// way as what the hash finds, so that the first thing wrong in the file is the one that counts.
type mark struct {
	at    int // in chunk.data
	kind  markKind
	text  string
	bytes int64
	place Place
}

// feeder reads the file in chunks. The parser asks for the next one and hands the last one back, to
// the digest, which works beside it over the same bytes.
type feeder struct {
	r      io.Reader
	free   chan *chunk
	work   chan *chunk // nil without a digest
	done   sync.WaitGroup
	digest digest
	offset int64 // of the next byte to be read
	end    error // io.EOF or what failed
}

// digest is the running SHA-256 of the present section, and what it says of the seals so far.
type digest struct {
	h       hash.Hash // nil: nothing is hashed, and no seal can be checked
	length  int64
	before  Previous // the section before
	sum     [sha256.Size]byte
	seals   int
	good    Place  // end of the last seal that fits, before the first thing wrong
	bad     Place  // first thing wrong
	problem string // what is wrong there
	hole    bool   // it is broken framing: what comes before is whole
}

func newFeeder(r io.Reader, withDigest bool) *feeder {
	f := &feeder{r: r, free: make(chan *chunk, chunks)}
	for range chunks {
		f.free <- &chunk{}
	}
	if withDigest {
		f.digest.h = sha256.New()
		f.work = make(chan *chunk, chunks)
		f.done.Add(1)
		go f.run()
	}
	return f
}

// next returns a chunk that holds carry and at least one fresh byte, or the end.
func (f *feeder) next(carry []byte) (*chunk, error) {
	if f.end != nil {
		return nil, f.end
	}
	c := <-f.free
	size := len(carry) + chunkSize
	if cap(c.data) < size {
		c.data = make([]byte, size)
	}
	c.data = c.data[:copy(c.data[:size], carry)]
	c.marks, c.used = c.marks[:0], 0
	if err := f.extend(c); err != nil {
		f.free <- c
		return nil, err
	}
	return c, nil
}

// extend reads more into a chunk. A medium that has nothing at hand now has not ended.
func (f *feeder) extend(c *chunk) error {
	if f.end != nil {
		return f.end
	}
	have := len(c.data)
	n, err := io.ReadAtLeast(f.r, c.data[have:cap(c.data)], 1)
	c.data = c.data[:have+n]
	f.offset += int64(n)
	if err != errPause {
		f.end = err
	}
	return err
}

// back hands a chunk back once the parser is through with it.
func (f *feeder) back(c *chunk) {
	if f.work == nil {
		f.digest.chunk(c)
		f.free <- c
		return
	}
	f.work <- c
}

// run digests chunks in the order of the file.
func (f *feeder) run() {
	defer f.done.Done()
	for c := range f.work {
		f.digest.chunk(c)
		f.free <- c
	}
}

func (d *digest) chunk(c *chunk) {
	at := 0
	for i := range c.marks {
		m := &c.marks[i]
		d.write(c.data[at:m.at])
		at = m.at
		d.meet(m)
	}
	d.write(c.data[at:c.used])
}

// meet does what a mark asks for, with everything before it digested.
func (d *digest) meet(m *mark) {
	switch m.kind {
	case markSection:
		d.before = d.section()
		d.restart()
	case markBroken:
		d.wrong(m.place, m.text)
	case markHole:
		d.hole = d.hole || d.problem == ""
		d.wrong(m.place, m.text)
	case markChain:
		if d.h != nil && (m.text != d.before.SHA256 || m.bytes != d.before.Bytes) {
			d.wrong(m.place, "the section before it is not the one that it was added to")
		}
	case markSeal:
		if d.h == nil {
			return
		}
		if m.text != d.section().SHA256 {
			d.wrong(m.place, "bytes before the seal were changed")
		} else if d.problem == "" {
			d.good = m.place
			d.seals++
		}
	}
}

func (d *digest) wrong(at Place, why string) {
	if d.problem == "" {
		d.bad, d.problem = at, why
	}
}

func (d *digest) write(b []byte) {
	if d.h != nil {
		d.h.Write(b)
		d.length += int64(len(b))
	}
}

// section returns digest and length of the section so far.
func (d *digest) section() Previous {
	if d.h == nil {
		return Previous{}
	}
	return Previous{SHA256: hex.EncodeToString(d.h.Sum(d.sum[:0])), Bytes: d.length}
}

func (d *digest) restart() {
	if d.h != nil {
		d.h.Reset()
		d.length = 0
	}
}

// close ends the digest and waits for it. It may be called more than once.
func (f *feeder) close() {
	if f.work != nil {
		close(f.work)
		f.done.Wait()
		f.work = nil
	}
}
