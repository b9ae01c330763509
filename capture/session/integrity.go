package session

import (
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
// this program: a hash without a key can be made anew. Nor does it see that whole sections were taken
// away from the end: for that the last seal has to be known from elsewhere.
type Integrity struct {
	Verdict  Verdict
	From     Place // Altered, CutShort: from here on something is missing or not proven
	Proven   Place // end of the last seal that fits; the zero Place where nothing is proven
	Kept     Place // end of what is still good: what Mend keeps
	Seals    int   // that fit
	Sections int
	Why      string // one sentence, "" for Sealed
	Stop     error  // what ended the reading before the end of the file, nil for nothing
}

// integrityState is what the parser learns for the verdict. What it finds wrong it leaves in the chunk,
// for the digest to meet in the order of the file.
type integrityState struct {
	sections       int
	sectionAt      int64
	sectionPackets uint64
	native         bool // there is a `session` record: its writer meant to seal it
	seals          bool // a seal was met, good or not
	ended          bool // the present section has its end seal, and nothing follows it
	chained        bool // the present section hangs on the one before
	loose          bool // sections stand before the first seal that nothing vouches for
	headed         bool // the section's first journal record was read
	bare           bool // nothing follows the section's header
}

// section begins a section.
func (s *integrityState) section(at int64, packets uint64) {
	s.sections++
	s.sectionAt, s.sectionPackets = at, packets
	s.ended, s.chained, s.headed, s.bare = false, false, false, true
}

// block follows every block behind a section header: an end seal is only one at the end of its section.
func (s *integrityState) block() { s.ended, s.bare = false, false }

// hangs reports whether the present section may stand where it stands: a section that hangs on nothing
// may only be among others that have no seals.
func (s *integrityState) hangs() bool {
	if s.sections < 2 || s.chained {
		return true
	}
	s.loose = true
	return !s.seals
}

// record follows a journal record. It reports whether the digest has to check the chain, or what is
// wrong.
func (s *integrityState) record(kind string, previous *Previous) (chain bool, problem string) {
	first := !s.headed
	s.headed = true
	s.native = s.native || kind == KindSession
	switch {
	case !first || previous == nil:
		return false, ""
	case s.sections < 2:
		return false, "the section that it was added to is missing"
	}
	s.chained = true
	return true, ""
}

// conclude gives the verdict. The digest has ended; end is where the reading did, stop why, and torn
// whether nothing whole lies behind.
func (s *integrityState) conclude(d *digest, end Place, stop error, torn bool) Integrity {
	i := Integrity{Sections: s.sections, Seals: d.seals, Proven: d.good, From: end, Kept: end, Stop: stop}
	if s.bare && s.sections > 1 { // the header of a section that was torn hangs on nothing yet
		end.Offset = s.sectionAt
		i.From, i.Kept = end, end
	}
	switch {
	case d.hole:
		i.Verdict, i.From, i.Kept, i.Why = Altered, d.bad, d.bad, d.problem
	case d.problem != "":
		i.Verdict, i.From, i.Kept = Altered, d.good, d.good
		i.Why = fmt.Sprintf("byte %d: %s", d.bad.Offset, d.problem)
	case stop != nil && !torn:
		i.Verdict, i.Why = Altered, stop.Error()
	case stop != nil:
		i.Verdict, i.Why = CutShort, stop.Error()
	case d.h == nil:
		i.Why = "its seals were not looked at"
	case !s.seals && s.native:
		i.Verdict, i.Why = CutShort, "its recording did not come to an end: there is no seal"
	case !s.seals:
		i.Why = "it has no seal"
	case !s.ended:
		i.Verdict, i.Why = CutShort, "its last section has no seal at its end"
	case s.loose:
		i.Why = "its first sections have no seal, and none behind them vouches for them"
	default:
		i.Verdict = Sealed
	}
	if i.Verdict != Altered && i.Verdict != CutShort {
		i.From = Place{}
	}
	return i
}
