package session

import (
	"context"
	"encoding/binary"
	"io"
	"os"
	"slices"

	"ridewitness/capture"
)

// FileSource is a capture.Source over a file. Unlike a Reader it knows where the file ends, and so
// finds the records that were added behind the end of the recording: each is delivered once, with its
// number, before the first frame later than its time. It is not safe for concurrent use.
type FileSource struct {
	*Reader
	file  *os.File
	size  int64
	added []addedRecord // by time; empty in a file without additions
	next  int           // in added
	first uint64        // least number of an added record
}

// addedRecord is a record behind the end of the recording.
type addedRecord struct {
	event capture.Event
	told  bool
}

// Open opens a session file, or any pcapng or pcap file. Close it. What goes wrong on the medium is
// an *fs.PathError or a *MediumError.
func Open(path string, options ...Option) (*FileSource, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	s := &FileSource{file: f}
	if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
		s.size = info.Size()
		s.added = additions(f, s.size)
	}
	for i := range s.added {
		if number := s.added[i].event.Record; i == 0 || number < s.first {
			s.first = number
		}
	}
	s.Reader = NewReader(f, path, options...)
	return s, nil
}

// Size returns the length of the file in bytes, 0 where it is no regular file. Offset tells how much
// of it was read.
func (s *FileSource) Size() int64 { return s.size }

// Close ends the reading and closes the file.
func (s *FileSource) Close() error {
	s.Reader.Close()
	return s.file.Close()
}

// Next implements capture.Source.
func (s *FileSource) Next(ctx context.Context, into *capture.Batch) error {
	for {
		if err := s.Reader.Next(ctx, into); err != nil || len(s.added) == 0 {
			return err
		}
		due := s.due(into)
		s.leaveOut(into)
		if len(due) > 0 {
			into.Events = append(into.Events, due...)
			slices.SortStableFunc(into.Events, func(a, b capture.Event) int { return a.Index - b.Index })
		}
		if len(into.Frames) > 0 || len(into.Events) > 0 {
			return nil
		}
	}
}

// due returns the added records that come before a frame of the batch.
func (s *FileSource) due(b *capture.Batch) (due []capture.Event) {
	for i := range b.Frames {
		for ; s.next < len(s.added); s.next++ {
			a := &s.added[s.next]
			if a.told {
				continue
			}
			if a.event.At >= b.Frames[i].At {
				break
			}
			a.event.Index, a.event.Packet, a.told = i, b.Frames[i].Packet-1, true
			due = append(due, a.event)
		}
		if s.next == len(s.added) {
			break
		}
	}
	return due
}

// leaveOut takes the records out that were delivered ahead of their place. One that is met at its
// place first is delivered there.
func (s *FileSource) leaveOut(b *capture.Batch) {
	b.Events = slices.DeleteFunc(b.Events, func(e capture.Event) bool {
		if e.Kind != capture.EventJournal || e.Record < s.first {
			return false
		}
		for i := range s.added {
			if a := &s.added[i]; a.event.Record == e.Record {
				told := a.told
				a.told = true
				return told
			}
		}
		return false
	})
}

// Bounds of the search for additions from the end of the file.
const (
	maxAddedBlocks = 4096
	maxAddedBytes  = 4 << 20
)

// additions returns the records in the sections at the end of a file that hold no packets, by time.
// Where they begin is found backwards, by the second lengths of the blocks; that the way from the
// front meets the same place, and how many records lie before it, a walk over the headers tells. It is
// the price of true record numbers, and paid only where something was added.
func additions(f io.ReaderAt, size int64) []addedRecord {
	start := appendix(f, size)
	if start == 0 {
		return nil
	}
	before := newWalker(io.NewSectionReader(f, 0, start), "")
	if before.skipAll() != io.EOF || before.tell() != start || before.stop != nil {
		return nil
	}
	r := NewReader(io.NewSectionReader(f, start, size-start), "", WithoutDigest())
	r.records, r.packets = before.records, before.packets
	var added []addedRecord
	batch := capture.NewBatch()
	for r.Next(context.Background(), batch) == nil {
		for _, e := range batch.Events {
			if e.Kind == capture.EventJournal && e.Name != KindSession && e.Name != KindSeal {
				added = append(added, addedRecord{event: e})
			}
		}
	}
	slices.SortStableFunc(added, func(a, b addedRecord) int {
		switch {
		case a.event.At < b.event.At:
			return -1
		case a.event.At > b.event.At:
			return 1
		}
		return 0
	})
	return added
}

// appendix returns where the sections without packets at the end of a file begin, 0 where there are
// none or the blocks don't hold together from behind.
func appendix(f io.ReaderAt, size int64) (start int64) {
	var head [blockHead]byte
	var tail [4]byte
	end := size
	for range maxAddedBlocks {
		if end < 12 || size-end > maxAddedBytes {
			return start
		}
		if _, err := f.ReadAt(tail[:], end-4); err != nil {
			return 0
		}
		length := binary.LittleEndian.Uint32(tail[:])
		if length < 12 || length%4 != 0 || length > maxKept || int64(length) > end {
			return start
		}
		end -= int64(length)
		if _, err := f.ReadAt(head[:], end); err != nil || binary.LittleEndian.Uint32(head[4:]) != length {
			return start
		}
		switch kind := binary.LittleEndian.Uint32(head[:]); {
		case kind == sectionHeader:
			start = end
		case isPacket(kind):
			return start
		}
	}
	return start
}
