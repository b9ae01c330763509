package session

import (
	"errors"
	"fmt"

	"ridewitness/capture"
)

// Verdict says what a file's seals prove.
type Verdict uint8

const (
	// Unsealed: there is no seal. Nothing proves the file and nothing speaks against it.
	Unsealed Verdict = iota
	// Sealed: every byte is as it was written.
	Sealed
	// CutShort: the end is missing; what comes before is still good.
	CutShort
	// Altered: a byte was changed, or bytes are not what the format demands and more follows.
	Altered
)

var verdictNames = [...]string{"unsealed", "sealed", "cut-short", "altered"}

// String returns the word used in reports.
func (v Verdict) String() string {
	if int(v) < len(verdictNames) {
		return verdictNames[v]
	}
	return fmt.Sprintf("Verdict(%d)", uint8(v))
}

// Place is a place in a file.
type Place struct {
	Offset int64
	At     capture.Stamp // 0 where no time is known
	Packet uint64        // the last one before it
}

// Integrity is the verdict on a whole file. It proves nothing against somebody who holds the file and
// this program: a hash without a key can be made anew.
type Integrity struct {
	Verdict  Verdict
	From     Place // Altered, CutShort: from here on nothing is proven, or there
	Proven   Place // end of what the seals prove; the zero Place where they prove nothing
	Seals    int   // that fit
	Sections int
	Why      string // one sentence for Altered and CutShort
	Stop     error  // what ended the reading before the end of the file, nil for nothing
}

// integrityState is what the parser learns for the verdict. What the hash says comes from the digest.
type integrityState struct {
	digest         bool
	feed           *feeder
	sections       int
	sectionAt      int64
	sectionPackets uint64
	seals          bool // one was met, in any section
	ended          bool // the present section has its end seal
	unended        bool // the section before has none; only a chain can prove it
	chained        bool
	first          bool // no journal record of the section yet
	problem        string
	problemAt      Place
	stopErr        error
	end            Place
}

// section begins a section.
func (s *integrityState) section(at int64, stamp capture.Stamp, packets uint64) {
	s.checkChain(at, stamp)
	s.unended = s.sections > 0 && !s.ended
	s.sections++
	s.sectionAt, s.sectionPackets = at, packets
	s.ended, s.chained, s.first = false, false, true
}

// checkChain holds that every section but the first hangs on the one before it.
func (s *integrityState) checkChain(at int64, stamp capture.Stamp) {
	if s.sections > 1 && !s.chained && s.seals {
		s.broken(s.sectionAt, stamp, "a section that does not hang on the one before it")
	}
}

// record follows a journal record that is no seal.
func (s *integrityState) record(previous *Previous) (chain bool) {
	first := s.first
	s.first = false
	if !first || previous == nil || s.sections < 2 {
		return false
	}
	s.chained = true
	return true
}

// sealed follows a seal that is whole; whether its digest fits, the digest says.
func (s *integrityState) sealed(end bool) {
	s.seals, s.first = true, false
	s.ended = end
}

// broken notes the first thing that can't be right.
func (s *integrityState) broken(at int64, stamp capture.Stamp, why string) {
	s.seals = true
	if s.problem == "" {
		s.problem, s.problemAt = why, Place{Offset: at, At: stamp}
	}
}

// more notes that something follows a seal: an end seal is only one at the end of its section.
func (s *integrityState) more() {
	s.ended = false
}

// stop notes what ended the reading.
func (s *integrityState) stop(err error, at Place) {
	s.end = at
	var format *FormatError
	if errors.As(err, &format) {
		s.stopErr = err
		s.end.Offset = format.Offset
	}
}

// conclude gives the verdict. The digest has ended.
func (s *integrityState) conclude(d *digest) Integrity {
	s.checkChain(s.end.Offset, s.end.At)
	i := Integrity{Sections: s.sections, Seals: d.seals, Proven: d.good, Stop: s.stopErr}
	torn := errors.Is(s.stopErr, ErrTruncated) || errors.Is(s.stopErr, ErrZeros)
	switch {
	case d.problem != "" && (s.problem == "" || d.bad.Offset <= s.problemAt.Offset):
		i.altered(d.good, d.bad, d.problem)
	case s.problem != "":
		i.altered(d.good, s.problemAt, s.problem)
	case s.stopErr != nil && !torn:
		i.altered(d.good, s.end, s.stopErr.Error())
	case s.stopErr != nil:
		i.Verdict, i.From, i.Why = CutShort, s.end, s.stopErr.Error()
	case !s.seals || !s.digest:
		i.Verdict = Unsealed
	case !s.ended:
		i.Verdict, i.From = CutShort, d.good
		i.Why = "its last section has no seal at its end"
	default:
		i.Verdict = Sealed
	}
	return i
}

// altered says so. The time from which on nothing is proven is that of the last seal that fits.
func (i *Integrity) altered(good, bad Place, why string) {
	i.Verdict, i.Why = Altered, why
	i.From = good
	if good.Offset == 0 {
		i.From = Place{Offset: bad.Offset}
	}
	if i.Proven.Offset == 0 && bad.Offset > 0 {
		i.From = Place{}
	}
}
