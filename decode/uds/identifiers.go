package uds

import "fmt"

// Lengths says how many bytes of data a data identifier has, where that is known.
type Lengths func(identifier uint16) (bytes int, known bool)

// Record is one data identifier of an answer to service 0x22 and where its data lies in the payload.
type Record struct {
	Identifier uint16
	From, To   int // To is the first byte after it
}

// RestError says from where on an answer to service 0x22 can't be read, and why.
type RestError struct {
	Offset     int    // in the answer's payload
	Identifier uint16 // the one that is to blame
	Problem    string
}

// Error names the identifier, the byte and the problem.
func (e *RestError) Error() string {
	return fmt.Sprintf("byte %d, identifier 0x%04X: %s", e.Offset, e.Identifier, e.Problem)
}

// AppendRecords takes an answer to service 0x22 apart and appends the records to dst. The message
// itself does not say how long each is, so lengths does.
//
// The identifiers come in the order in which they were asked for; those the unit does not support are
// left out. The next identifier is never searched for within data. An identifier of unknown length
// gets the rest where none is awaited after it, and ends the reading otherwise. When the bytes do not
// come out even, some length is wrong, and only a first record whose bytes are all there is given: the
// place of the others depends on that length.
//
// An empty request stands for one that was not recorded: every identifier then needs a known length.
func AppendRecords(dst []Record, request, answer []byte, lengths Lengths) ([]Record, error) {
	first := len(dst)
	asked := 1
	var record Record
	for at := 1; at < len(answer); {
		var next int
		var problem string
		if len(request) > 0 && asked+2 > len(request) {
			problem = fmt.Sprintf("bytes are left over after it (%d), and no other identifier is awaited", len(answer)-at)
		} else {
			record, next, problem = nextRecord(request, asked, answer, at, lengths)
		}
		if problem != "" {
			return dst[:min(len(dst), first+1)], &RestError{Offset: at, Identifier: record.Identifier, Problem: problem}
		}
		dst = append(dst, record)
		at, asked = record.To, next
	}
	return dst, nil
}

// nextRecord reads the record at byte at of the answer. The request's identifiers from byte asked on
// are still awaited; next is where those after this one begin.
func nextRecord(request []byte, asked int, answer []byte, at int, lengths Lengths) (r Record, next int, problem string) {
	id, whole := identifierAt(answer, at)
	if !whole {
		return r, asked, "one byte is left, an identifier needs two"
	}
	r = Record{Identifier: id, From: at + 2}
	next = asked
	if len(request) > 0 {
		var awaited bool
		if next, awaited = nextAsked(request, asked, id); !awaited {
			return r, asked, "it is not one that was asked for and is still awaited"
		}
	}
	n, known := lengths(id)
	more := len(request) == 0 || next+2 <= len(request)
	switch {
	case known:
		r.To = r.From + n
	case more:
		return r, asked, "its length is not defined and others may follow it"
	default:
		r.To = len(answer)
	}
	if n < 0 || r.To > len(answer) {
		return r, asked, fmt.Sprintf("its %d bytes of data are not all there", n)
	}
	return r, next, ""
}
