package session

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"ridewitness/capture"
)

// MendReport says what Mend saved and what it had to leave behind.
type MendReport struct {
	Verdict        Verdict       // on the source
	Why            string        // in one sentence
	Source         Previous      // the whole source
	Kept           Place         // end of what was kept
	Unproven       int64         // bytes that were kept although no seal of the source covers them
	Dropped        int64         // bytes behind what was kept
	DroppedPackets uint64        // whole packets that could be read among them
	Until          capture.Stamp // the last time that could be read in the source; later than Kept.At where packets were dropped
}

// String says it in sentences.
func (m MendReport) String() string {
	upTo := "with no packet"
	if m.Kept.Packet > 0 {
		upTo = fmt.Sprintf("up to packet %d at %s", m.Kept.Packet, m.Kept.At)
	}
	text := fmt.Sprintf("kept %d bytes, %s\nleft out %d bytes with %d whole packets that could be read", m.Kept.Offset, upTo, m.Dropped, m.DroppedPackets)
	if m.DroppedPackets > 0 {
		text += fmt.Sprintf(", up to %s; nothing vouches for them, and a review of the source still reads them", m.Until)
	}
	text += fmt.Sprintf("\nthe source is %s: %s", m.Verdict, m.Why)
	if m.Unproven > 0 {
		text += fmt.Sprintf("\nthe last %d bytes kept were under no seal of the source", m.Unproven)
	}
	return text
}

// Mend writes what is still good of a session into a new file.
//
//	source:  [ good blocks ............ | torn or changed ]
//	copy:    [ the same bytes ......... ][ section: session with mended_from, seal ]
//
// The good blocks are copied byte for byte, so that packet numbers, record numbers and the seals in
// them stay what they were. A source in which a seal does not fit is kept up to the last one that
// does: sealing what comes behind it would vouch for a forgery. A source that is cut short, or whose
// framing is broken, is kept up to its last whole block before that. A source that is sealed, or merely unsealed,
// has nothing to mend (ErrNothingToMend); classic pcap (ErrNoJournal) and big-endian files
// (ErrByteOrder) have no place for the section.
//
// The copy is written under a temporary name, synced and then named; an existing file is never
// replaced, and when something fails nothing is left behind.
func Mend(in, out string) (MendReport, error) {
	src, err := os.Open(in)
	if err != nil {
		return MendReport{}, err
	}
	defer src.Close()
	h := sha256.New()
	end, err := readToEnd(io.TeeReader(src, h), in)
	if err != nil {
		return MendReport{}, err
	}
	rest, err := io.Copy(h, src) // what the reader gave up on
	if err != nil {
		return MendReport{}, &MediumError{File: in, Offset: end.size, Err: err}
	}
	end.size += rest
	m, err := end.mendable(in)
	if err != nil {
		return MendReport{}, err
	}
	m.Source.SHA256 = hex.EncodeToString(h.Sum(nil))
	return m, create(out, func(f *os.File) error { return m.write(f, src) })
}

// Why a file is not mended.
var (
	ErrNothingToMend = errors.New("there is nothing to mend")
	errChanged       = errors.New("it changed while it was read")
)

// mendable decides how much of a source is kept.
func (e *fileEnd) mendable(path string) (MendReport, error) {
	m := MendReport{Verdict: e.Verdict, Why: e.Why, Kept: e.Kept, Source: Previous{Bytes: e.size}, Until: e.at}
	m.Dropped = e.size - e.Kept.Offset
	m.DroppedPackets = e.packets - e.Kept.Packet
	m.Unproven = e.Kept.Offset - e.Proven.Offset
	var cause error
	switch {
	case e.classic:
		cause = ErrNoJournal
	case e.big:
		cause = ErrByteOrder
	case e.Verdict == Sealed || e.Verdict == Unsealed:
		cause = ErrNothingToMend
	case e.Kept.Offset == 0:
		cause = ErrNotMendable
	default:
		return m, nil
	}
	detail := "it is " + e.Verdict.String()
	if e.Why != "" {
		detail += ": " + e.Why
	}
	return m, &FormatError{File: path, Block: "file", Err: cause, Detail: detail}
}

// write copies the good bytes and adds the section that vouches for them.
func (m *MendReport) write(f *os.File, src io.ReadSeeker) error {
	if _, err := src.Seek(0, io.SeekStart); err != nil {
		return err
	}
	end, err := readToEnd(io.TeeReader(io.LimitReader(src, m.Kept.Offset), f), f.Name())
	if err != nil {
		return err
	}
	if end.size != m.Kept.Offset || end.Stop != nil {
		return errChanged
	}
	head := SessionRecord{MendedFrom: &MendedFrom{Previous: m.Source, Kept: m.Kept.Offset, Unproven: m.Unproven,
		Integrity: m.Verdict.String(), Why: m.Why, DroppedPackets: m.DroppedPackets}}
	section, err := addedSection(end.last, m.Kept.At, head, nil)
	if err != nil {
		return err
	}
	_, err = f.Write(section)
	return err
}

// create writes a new file wholly or not at all: under a temporary name, synced, and then under its
// own name, which must not exist.
func create(path string, write func(*os.File) error) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s: %w", path, os.ErrExist)
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".part-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	err = write(f)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return settle(f.Name(), path)
}

// settle gives a finished file its name. A link, unlike a rename, fails where the name exists; a
// rename serves file systems without links.
func settle(temporary, path string) error {
	err := os.Link(temporary, path)
	if err != nil && !errors.Is(err, os.ErrExist) {
		err = os.Rename(temporary, path)
	}
	if err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer dir.Close()
	_ = dir.Sync() // not every file system can; the file itself is synced
	return nil
}
