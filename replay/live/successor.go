package live

import (
	"context"
	"os"
	"path/filepath"
	"slices"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// successor is a file that goes on from one before it.
type successor struct {
	path string
	before
}

// before is how much of a recording comes before what counts from 1 in a file.
type before struct {
	packets uint64
	records int64 // the file's own first two are in none before
}

// ownRecords begin a file that goes on, and stand in no other: the session record and the one that says
// from what it goes on.
const ownRecords = 2

// goesOnFrom reads the record by which a file says that it goes on from another, nil where it is not that.
func goesOnFrom(e *capture.Event) *session.DiskRecord {
	if e.Record != ownRecords {
		return nil
	}
	return session.ReadGoesOn(e)
}

// successor returns the file that goes on from the one that is read, nil where there is none yet. A file
// that failed at its very head is passed over: the one behind it names it.
func (t *Trail) successor() *successor {
	if t.recording == "" {
		return nil
	}
	path := t.File()
	first, n := path, 1
	if t.goesOn {
		first, n = unnumbered(path)
	}
	from := []string{filepath.Base(path)}
	for n++; ; n++ {
		name := Numbered(first, n)
		info, err := os.Lstat(name)
		if err != nil {
			return nil
		}
		if info.Mode().IsRegular() {
			if next := t.isNext(name, from); next != nil {
				return next
			}
		}
		from = append(from, filepath.Base(name))
	}
}

// isNext returns what a file goes on from, nil where that is nothing of these names in this recording.
func (t *Trail) isNext(path string, from []string) *successor {
	head, record := headOf(path)
	if head == nil || record == nil || head.Recording != t.recording || head.MendedFrom != nil || !slices.Contains(from, filepath.Base(record.File)) {
		return nil
	}
	return &successor{path, before{record.Packets, record.Records}}
}

// headOf reads the two records at the head of a file, as far as they are there.
func headOf(path string) (head *session.SessionRecord, record *session.DiskRecord) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil
	}
	defer f.Close()
	r := session.NewReader(f, path, session.WithoutDigest())
	defer r.Close()
	b := capture.NewBatch()
	if r.Next(context.Background(), b) != nil {
		return nil, nil
	}
	for i := range b.Events {
		if e := &b.Events[i]; e.Record == 1 {
			head = session.ReadSession(e)
		} else if e.Record == ownRecords {
			record = goesOnFrom(e)
		}
	}
	return head, record
}
