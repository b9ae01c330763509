package session

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"strings"

	"ridewitness/capture"
)

// File is what a Writer writes to. *os.File is one.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

// ErrClosed is the answer of a Writer that was closed.
var ErrClosed = errors.New("the session is closed")

// writeSize is how much is gathered before it is hashed and written.
const writeSize = 64 << 10

// Writer writes one section of a session: by itself, or behind the sections that a file has. It uses
// no clock and no randomness, so that the same session gives the same bytes. The first failed write
// or sync is final: each later call returns it again. It is not safe for concurrent use.
type Writer struct {
	f       File
	buf     []byte
	h       hash.Hash
	flushed int64 // bytes of the section that are written and hashed
	err     error
	ifaces  [capture.MaxBuses]int16 // by BusID; -1: not described
	names   []string
	packets uint64
	records uint64
	counts  [capture.MaxBuses]counts
	lost    [capture.MaxBuses]uint64 // to be told with the bus's next frame
	comment []byte                   // to be told with the next frame
	at      capture.Stamp
	sum     [sha256.Size]byte
}

// counts are what the statistics of a bus say.
type counts struct {
	kept    uint64
	told    uint64 // losses told by events
	counted uint64 // losses that the source counted itself
	known   bool   // somebody counts; otherwise nothing is said, for 0 would be a claim
}

// Application is what the section header names as its writer.
const Application = "ridewitness"

// NewWriter begins a section in f. session is its first journal record, at the time start; its
// Previous says what the section hangs on, nil for the first of a file.
func NewWriter(f File, start capture.Stamp, session SessionRecord) (*Writer, error) {
	w := &Writer{f: f, buf: make([]byte, 0, writeSize+4096), h: sha256.New(), at: start}
	for i := range w.ifaces {
		w.ifaces[i] = -1
	}
	w.header()
	session.Kind = KindSession
	if err := w.Journal(start, session); err != nil {
		return nil, err
	}
	return w, nil
}

func (w *Writer) u16(v uint16) { w.buf = binary.LittleEndian.AppendUint16(w.buf, v) }
func (w *Writer) u32(v uint32) { w.buf = binary.LittleEndian.AppendUint32(w.buf, v) }
func (w *Writer) u64(v uint64) { w.buf = binary.LittleEndian.AppendUint64(w.buf, v) }

// stamp writes a time: its high word first, whatever the byte order.
func (w *Writer) stamp(at capture.Stamp) {
	at = max(at, 0) // nothing was recorded before 1970
	w.u32(uint32(uint64(at) >> 32))
	w.u32(uint32(uint64(at)))
}

// open begins a block and returns where; close ends it.
func (w *Writer) open(kind uint32) int {
	from := len(w.buf)
	w.u32(kind)
	w.u32(0)
	return from
}

func (w *Writer) close(from int) {
	w.pad()
	length := uint32(len(w.buf) - from + 4)
	w.u32(length)
	binary.LittleEndian.PutUint32(w.buf[from+4:], length)
}

func (w *Writer) pad() {
	for len(w.buf)%4 != 0 {
		w.buf = append(w.buf, 0)
	}
}

// option writes an option; options end with code 0.
func (w *Writer) option(code uint16, value []byte) {
	w.u16(code)
	w.u16(uint16(len(value)))
	w.buf = append(w.buf, value...)
	w.pad()
}

func (w *Writer) header() {
	from := w.open(sectionHeader)
	w.u32(byteOrderMagic)
	w.u16(1)
	w.u16(0)
	w.u64(1<<64 - 1) // section length: unknown
	w.option(optApplication, []byte(Application))
	w.u32(0)
	w.close(from)
}

// bus describes a bus that was not described yet.
func (w *Writer) bus(id capture.BusID, name string) {
	if w.ifaces[id] >= 0 {
		return
	}
	w.ifaces[id] = int16(len(w.names))
	w.names = append(w.names, name)
	from := w.open(interfaceDescription)
	w.u16(LinkSocketCAN)
	w.u16(0)
	w.u32(0) // snap length: no limit
	w.option(optInterfaceName, []byte(name[:min(len(name), maxName)]))
	w.option(optTimeResolution, []byte{9})
	w.u32(0)
	w.close(from)
}

// Write adds the frames and events of a batch in their order.
func (w *Writer) Write(b *capture.Batch) error {
	if w.err != nil {
		return w.err
	}
	for frames, e := range b.InOrder() {
		w.frames(frames)
		if e != nil {
			w.event(e)
		}
	}
	return w.err
}

func (w *Writer) event(e *capture.Event) {
	switch e.Kind {
	case capture.EventBus:
		if e.Bus < capture.MaxBuses {
			w.bus(e.Bus, e.Name)
		}
	case capture.EventJournal:
		if e.Name == KindSeal || e.Name == KindSession {
			return // this section has its own
		}
		w.raw(e.At, e.Name, e.Body)
	case capture.EventLoss:
		if e.Bus < capture.MaxBuses {
			w.lose(e.Bus, e.Count)
		}
	case capture.EventCounters:
		if e.Bus < capture.MaxBuses && e.Dropped >= 0 {
			w.counts[e.Bus].counted, w.counts[e.Bus].known = uint64(e.Dropped), true
		}
	}
}

// lose notes frames that were lost before the bus's next frame.
func (w *Writer) lose(bus capture.BusID, n uint64) {
	w.lost[bus] += n
	w.counts[bus].told += n
	w.counts[bus].known = true
}

func (w *Writer) frames(fs []capture.Frame) {
	for i := range fs {
		w.frame(&fs[i])
		if len(w.buf) >= writeSize {
			w.flush()
		}
	}
}

// frame writes one packet.
func (w *Writer) frame(f *capture.Frame) {
	if f.Bus >= capture.MaxBuses {
		w.fail(fmt.Errorf("a frame of bus %d, there are at most %d", f.Bus, capture.MaxBuses))
		return
	}
	if w.ifaces[f.Bus] < 0 {
		w.bus(f.Bus, fmt.Sprintf("bus%d", f.Bus))
	}
	if f.Flags.Has(capture.Untimed) {
		w.untimed(f)
		return
	}
	n, original := sizes(f)
	from := w.open(enhancedPacket)
	w.u32(uint32(w.ifaces[f.Bus]))
	w.stamp(f.At)
	w.u32(uint32(recordHead + n))
	w.u32(uint32(recordHead + original))
	w.record(f, n, original)
	w.packetOptions(f)
	w.close(from)
	w.at = max(w.at, f.At)
	w.written(f.Bus)
}

func (w *Writer) written(bus capture.BusID) {
	w.packets++
	w.counts[bus].kept++
}

// untimed writes a frame without a time as a simple packet, which has none either. Such packets belong
// to interface 0 and can't be cut: another frame counts as lost, since a made-up time would be worse.
func (w *Writer) untimed(f *capture.Frame) {
	if w.ifaces[f.Bus] != 0 || f.Flags.Has(capture.Cut) {
		w.lose(f.Bus, 1)
		return
	}
	n, original := sizes(f)
	from := w.open(simplePacket)
	w.u32(uint32(recordHead + n))
	w.record(f, n, original)
	w.close(from)
	w.written(f.Bus)
}

// sizes returns how many bytes of payload there are, and how many there were. A frame that was cut
// knows only that there were more: it is written as one of the next length.
func sizes(f *capture.Frame) (n, original int) {
	n = len(f.Payload())
	if !f.Flags.Has(capture.Cut) {
		return n, n
	}
	return n, min(n+1, capture.MaxData)
}

// record writes the frame as link type 227 wants it: its identifier high byte first.
func (w *Writer) record(f *capture.Frame, n, original int) {
	id := uint32(f.ID) & recordIDMask
	if f.Flags.Has(capture.Extended) {
		id |= recordExtended
	}
	if f.Flags.Has(capture.Remote) {
		id |= recordRemote
		original = min(int(f.Len), capture.MaxData)
	}
	if f.Flags.Has(capture.Error) {
		id |= recordError
	}
	fd := byte(0)
	if f.Flags.Has(capture.FD) || original > capture.MaxClassicData {
		fd = recordFDF
		if f.Flags.Has(capture.BitRateSwitch) {
			fd |= recordBRS
		}
		if f.Flags.Has(capture.ErrorState) {
			fd |= recordESI
		}
	}
	w.buf = binary.BigEndian.AppendUint32(w.buf, id)
	w.buf = append(w.buf, byte(original), fd, 0, 0)
	w.buf = append(w.buf, f.Data[:n]...)
	w.pad()
}

func (w *Writer) packetOptions(f *capture.Frame) {
	direction := uint32(0)
	switch {
	case f.Flags.Has(capture.Inbound):
		direction = 1
	case f.Flags.Has(capture.Outbound):
		direction = 2
	}
	w.u16(optPacketFlags)
	w.u16(4)
	w.u32(direction)
	if lost := w.lost[f.Bus]; lost > 0 {
		w.u16(optDropCount)
		w.u16(8)
		w.u64(lost)
		w.lost[f.Bus] = 0
	}
	if len(w.comment) > 0 {
		w.option(optComment, w.comment)
		w.comment = w.comment[:0]
	}
	w.u32(0)
}

// maxRecord is the longest text of a journal record that is written.
const maxRecord = maxKept - 64

// Journal adds a journal record: any value whose JSON is an object with a field kind.
func (w *Writer) Journal(at capture.Stamp, record any) error {
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	if err := e.Encode(record); err != nil {
		return err
	}
	body := bytes.TrimRight(text.Bytes(), "\n")
	var head struct{ Kind string }
	if err := json.Unmarshal(body, &head); err != nil || head.Kind == "" || head.Kind == KindSeal {
		return fmt.Errorf("a journal record is a JSON object with a kind and no seal, not %.40q", body)
	}
	w.raw(at, head.Kind, body)
	return w.err
}

func (w *Writer) raw(at capture.Stamp, kind string, body []byte) {
	if w.err != nil {
		return
	}
	if len(body) > maxRecord {
		w.fail(fmt.Errorf("a journal record of %d bytes, at most %d are written", len(body), maxRecord))
		return
	}
	from := w.open(JournalBlock)
	w.stamp(at)
	w.u32(uint32(len(body)))
	w.buf = append(w.buf, body...)
	w.close(from)
	w.records++
	if kind == KindMark || kind == KindWarning {
		w.remark(kind, body)
	}
	if len(w.buf) >= writeSize {
		w.flush()
	}
}

// remark keeps a mark or a warning as a comment of the next packet, so that other tools show it.
func (w *Writer) remark(kind string, body []byte) {
	const longest = 1024
	var m struct{ Name, Corner, Value, Text string }
	if json.Unmarshal(body, &m) != nil || len(w.comment) > longest {
		return
	}
	for _, word := range []string{kind, m.Name, m.Corner, m.Value, m.Text} {
		if word == "" {
			continue
		}
		if len(w.comment) > 0 {
			w.comment = append(w.comment, ' ')
		}
		w.comment = append(w.comment, strings.ToValidUTF8(word[:min(len(word), longest)], "")...)
	}
}

// Flush hashes and writes what was gathered.
func (w *Writer) Flush() error {
	w.flush()
	return w.err
}

func (w *Writer) flush() {
	if w.err != nil || len(w.buf) == 0 {
		return
	}
	w.h.Write(w.buf)
	w.flushed += int64(len(w.buf))
	if _, err := w.f.Write(w.buf); err != nil {
		w.fail(err)
	}
	w.buf = w.buf[:0]
}

// fail keeps the first error.
func (w *Writer) fail(err error) {
	if w.err == nil {
		w.err = err
	}
}

// Seal writes a seal over everything before it.
func (w *Writer) Seal(at capture.Stamp) error { return w.seal(at, false) }

func (w *Writer) seal(at capture.Stamp, end bool) error {
	w.flush()
	if w.err != nil {
		return w.err
	}
	s := SealRecord{Kind: KindSeal, Bytes: w.flushed, SHA256: hex.EncodeToString(w.h.Sum(w.sum[:0])), Packets: w.packets, End: end,
		Self: string(bytes.Repeat([]byte{'0'}, selfDigits))}
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	from := w.open(JournalBlock)
	w.stamp(at)
	w.u32(uint32(len(text)))
	w.buf = append(w.buf, text...)
	w.close(from)
	whole := w.buf[from:]
	copy(whole[bytes.Index(whole, []byte(selfMark))+len(selfMark):], selfOf(whole))
	w.records++
	w.flush()
	return w.err
}

// selfOf works out the check of a seal over its own block.
func selfOf(whole []byte) string {
	i := bytes.LastIndex(whole, []byte(selfMark))
	if i < 0 {
		return ""
	}
	sum := sha256.Sum256(whole[:i])
	return hex.EncodeToString(sum[:])[:selfDigits]
}

// Close writes the statistics and the seal that ends the section, syncs and closes the file.
func (w *Writer) Close(at capture.Stamp) error {
	err := w.End(at)
	if err == nil {
		err = w.f.Sync()
	}
	if closing := w.f.Close(); err == nil {
		err = closing
	}
	if w.err == nil {
		w.err = ErrClosed
	}
	return err
}

// End writes the statistics and the seal that ends the section, and leaves the file open.
func (w *Writer) End(at capture.Stamp) error {
	at = max(at, w.at)
	for id, i := range w.ifaces {
		if i < 0 {
			continue
		}
		c := &w.counts[id]
		if !c.known {
			continue
		}
		lost := max(c.told, c.counted)
		from := w.open(interfaceStatistics)
		w.u32(uint32(i))
		w.stamp(at)
		w.option(optReceived, binary.LittleEndian.AppendUint64(nil, c.kept+lost))
		w.option(optOSDropped, binary.LittleEndian.AppendUint64(nil, lost))
		w.u32(0)
		w.close(from)
	}
	return w.seal(at, true)
}

// Digest returns digest and length of the section as written so far: what a section behind it hangs on.
func (w *Writer) Digest() Previous {
	return Previous{SHA256: hex.EncodeToString(w.h.Sum(nil)), Bytes: w.flushed}
}
