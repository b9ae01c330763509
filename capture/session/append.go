package session

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"ridewitness/capture"
)

// Addition is a journal record that is added to a finished session. At may lie long before the end:
// it says when what the record tells was so.
type Addition struct {
	At     capture.Stamp
	Record any // a value whose JSON is an object with a field kind
}

// Why a file takes no additions.
var (
	ErrNotEnded    = errors.New("it did not come to its end; mend it first, or wait for its recorder")
	ErrNotWhole    = errors.New("it was altered; mend it first")
	ErrNoJournal   = errors.New("classic pcap has no place for a journal")
	ErrByteOrder   = errors.New("it is big-endian, and one file holds one byte order; what is added here is little-endian")
	ErrNotRegular  = errors.New("it is no regular file")
	ErrBusy        = errors.New("somebody else is writing to it")
	ErrNoAdditions = errors.New("there is nothing to add")
)

// Append adds records to a finished session as a sealed section of its own behind its end, and
// returns their journal numbers. Nothing that is there is changed: the section goes out in one write
// and is synced; when the write fails the file is cut back to what it was.
//
// A file that is cut short (ErrNotEnded) or altered (ErrNotWhole) is refused, so are classic pcap
// (ErrNoJournal), big-endian files (ErrByteOrder), what is no regular file, and a file that somebody else
// is writing to, its recorder above all (ErrBusy, where the system has advisory locks). A file without
// seals is not: from then on the added section vouches for the section before it. The section's own time is that
// of the last packet, or of the latest addition where that is later: no clock is asked.
func Append(path string, additions ...Addition) ([]uint64, error) {
	if len(additions) == 0 {
		return nil, ErrNoAdditions
	}
	records, err := appendSection(path, SessionRecord{}, additions)
	if err != nil {
		return nil, err
	}
	numbers := make([]uint64, len(additions))
	for i := range numbers {
		numbers[i] = records + 2 + uint64(i) // behind the section's session record
	}
	return numbers, nil
}

// AppendCut says of a finished session that what it was made from was altered or cut short: from then on
// it reads like one that was mended. It refuses what Append refuses.
func AppendCut(path string, from MendedFrom) error {
	_, err := appendSection(path, SessionRecord{MendedFrom: &from}, nil)
	return err
}

// appendSection adds a section, and returns how many records there were before it.
func appendSection(path string, head SessionRecord, additions []Addition) (uint64, error) {
	f, end, err := openForMore(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	section, err := addedSection(end.last, end.at, head, additions)
	if err != nil {
		return 0, err
	}
	if err := extend(f, end.size, section); err != nil {
		return 0, &MediumError{File: path, Offset: end.size, Err: err}
	}
	return end.records, nil
}

// openForMore opens a finished file to add to it, and takes it for this process until it is closed.
func openForMore(path string) (*os.File, fileEnd, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_APPEND, 0)
	if err != nil {
		return nil, fileEnd{}, err
	}
	end, err := takenWhole(f, path)
	if err != nil {
		f.Close()
		return nil, fileEnd{}, err
	}
	return f, end, nil
}

// takenWhole locks a file and reads it to its end.
func takenWhole(f *os.File, path string) (fileEnd, error) {
	if info, err := f.Stat(); err != nil {
		return fileEnd{}, err
	} else if !info.Mode().IsRegular() {
		return fileEnd{}, &FormatError{File: path, Block: "file", Err: ErrNotRegular}
	}
	if err := take(f, path); err != nil {
		return fileEnd{}, err
	}
	end, err := readToEnd(f, path)
	if err != nil {
		return fileEnd{}, err
	}
	return end, end.takesAdditions(path)
}

// fileEnd is what has to be known of a file to add to it.
type fileEnd struct {
	Integrity
	size    int64
	last    Previous // digest and length of the last section
	big     bool
	classic bool
	records uint64
	packets uint64
	at      capture.Stamp // of the last packet
	told    capture.Stamp // of the latest record
}

// readToEnd reads a file for its end and its integrity.
func readToEnd(r io.Reader, name string) (fileEnd, error) {
	reader := NewReader(r, name)
	defer reader.Close()
	batch := capture.NewBatch()
	told := capture.Stamp(0)
	for {
		err := reader.Next(context.Background(), batch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fileEnd{}, err
		}
		for i := range batch.Events {
			if e := &batch.Events[i]; e.Kind == capture.EventJournal {
				told = max(told, e.At)
			}
		}
	}
	return fileEnd{Integrity: reader.Integrity(), size: reader.feed.offset, last: reader.feed.digest.section(),
		big: reader.big, classic: reader.classic != nil, records: reader.records, packets: reader.packets, at: reader.at, told: told}, nil
}

// takesAdditions says why a section can't be added, if it can't.
func (e *fileEnd) takesAdditions(path string) error {
	var cause error
	switch {
	case e.classic:
		cause = ErrNoJournal
	case e.Verdict == CutShort:
		cause = ErrNotEnded
	case e.Verdict == Altered:
		cause = ErrNotWhole
	case e.big:
		cause = ErrByteOrder
	default:
		return nil
	}
	return &FormatError{File: path, Offset: e.From.Offset, Block: "file", Err: cause, Detail: e.Why}
}

// addedSection builds a section that hangs on the last one of a file.
func addedSection(last Previous, at capture.Stamp, head SessionRecord, additions []Addition) ([]byte, error) {
	var out memory
	head.Previous, head.Added = &last, true
	for _, a := range additions {
		at = max(at, a.At)
	}
	w, err := NewWriter(&out, at, head)
	if err != nil {
		return nil, err
	}
	for i, a := range additions {
		if err := w.Journal(a.At, a.Record); err != nil {
			return nil, fmt.Errorf("addition %d: %w", i+1, err)
		}
	}
	if err := w.End(at); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// memory is a File in memory.
type memory struct{ bytes.Buffer }

func (*memory) Sync() error  { return nil }
func (*memory) Close() error { return nil }

// growing is what extend needs of a file. *os.File is one, opened for appending.
type growing interface {
	io.Writer
	Sync() error
	Truncate(size int64) error
}

// extend adds bytes at the end of a file of that size, wholly or not at all. When even cutting it back
// fails, the error says both; the reader then finds a file that is cut short behind its old end.
func extend(f growing, size int64, section []byte) error {
	_, err := f.Write(section)
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return errors.Join(err, f.Truncate(size))
	}
	return nil
}
