package session

import (
	"encoding/json"
	"fmt"

	"ridewitness/capture"
)

// Kinds of journal records. Unknown kinds are kept and ignored.
const (
	KindSession     = "session"
	KindMark        = "mark"
	KindAcknowledge = "acknowledge"
	KindClock       = "clock"
	KindLink        = "link"
	KindLoss        = "loss"
	KindWarning     = "warning"
	KindBlind       = "blind"
	KindHandover    = "handover"
	KindSeal        = "seal"
	KindTruth       = "truth" // simulated sessions only; reviews never read it
)

// Origins of a session.
const (
	OriginVehicle   = "vehicle"
	OriginVirtual   = "virtual"
	OriginSimulated = "simulated"
	OriginUnknown   = "unknown"
)

// SessionRecord is the first journal record of a section: what the session is and what it was
// recorded with. In a section that was added later it holds little more than Previous.
type SessionRecord struct {
	Kind        string       `json:"kind"`
	Origin      string       `json:"origin,omitempty"`
	Host        string       `json:"host,omitempty"`
	Program     string       `json:"program,omitempty"`
	Scenario    string       `json:"scenario,omitempty"`
	Seed        uint64       `json:"seed,omitempty"`
	Card        *Text        `json:"card,omitempty"`
	Definitions []Text       `json:"definitions,omitempty"`
	Links       []LinkRecord `json:"links,omitempty"`
	Previous    *Previous    `json:"previous,omitempty"`
	MendedFrom  *Previous    `json:"mended_from,omitempty"`
}

// Text is a file that the session was recorded with, whole.
type Text struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // hex, of Text
	Text   string `json:"text"`
}

// Previous is what came before a section: its digest and length. In MendedFrom it is the whole file
// that a session was saved from.
type Previous struct {
	SHA256 string `json:"sha256"` // hex
	Bytes  int64  `json:"bytes"`
}

// LinkRecord is the state of a bus: kind `link`.
type LinkRecord struct {
	Kind       string `json:"kind,omitempty"`
	Bus        string `json:"bus"`
	Type       string `json:"type,omitempty"` // can, vcan, vxcan
	Bitrate    uint32 `json:"bitrate,omitempty"`
	ListenOnly *bool  `json:"listen_only,omitempty"`
	State      string `json:"state,omitempty"`
}

// LossRecord says that frames were lost where no packet says so: kind `loss`.
type LossRecord struct {
	Kind  string `json:"kind"`
	Bus   string `json:"bus,omitempty"`
	Count uint64 `json:"count"`
	Where string `json:"where,omitempty"`
}

// MarkRecord is a mark: kind `mark`.
type MarkRecord struct {
	Kind   string `json:"kind"`
	Name   string `json:"name"`
	Corner string `json:"corner"`
	Value  string `json:"value"`
	Note   string `json:"note"`
	By     string `json:"by"`
}

// SealRecord is a seal. Its text is canonical: no other spelling of the same values is a seal.
type SealRecord struct {
	Kind    string `json:"kind"`
	Bytes   int64  `json:"bytes"`  // of the section before this record
	SHA256  string `json:"sha256"` // of these bytes, hex
	Packets uint64 `json:"packets"`
	End     bool   `json:"end,omitempty"`
	// Self is the beginning of the SHA-256 of this record's own block, from its first byte up to the
	// comma before this field: no later seal covers the last one.
	Self string `json:"self"`
}

const (
	selfMark   = `,"self":"`
	selfDigits = 16
)

// seal reads a seal and hands it to the digest.
func (r *Reader) seal(at int64, stamp capture.Stamp, whole, text []byte) {
	var s SealRecord
	problem := ""
	canonical, err := readSeal(&s, text)
	switch {
	case err != nil:
		problem = err.Error()
	case string(canonical) != string(text) || !zeroPadded(whole, len(text)):
		problem = "its text was changed"
	case s.Self != selfOf(whole):
		problem = "its own check does not fit"
	case s.Bytes != at-r.state.sectionAt:
		problem = fmt.Sprintf("it stands %d bytes into its section and says %d", at-r.state.sectionAt, s.Bytes)
	case s.Packets != r.packets-r.state.sectionPackets:
		problem = fmt.Sprintf("%d packets come before it in its section and it says %d", r.packets-r.state.sectionPackets, s.Packets)
	}
	if problem != "" {
		r.state.broken(at, stamp, "seal J"+fmt.Sprint(r.records)+": "+problem)
		return
	}
	r.state.sealed(s.End)
	r.cur.marks = append(r.cur.marks, mark{at: r.pos, kind: markSeal, expect: s.SHA256,
		place: Place{Offset: at, At: stamp, Packet: r.packets}})
}

func readSeal(s *SealRecord, text []byte) ([]byte, error) {
	if err := json.Unmarshal(text, s); err != nil {
		return nil, err
	}
	return json.Marshal(s)
}

// zeroPadded reports whether nothing but zeros lies between a record's text and its second length.
func zeroPadded(whole []byte, text int) bool {
	for _, b := range whole[blockHead+12+text : len(whole)-4] {
		if b != 0 {
			return false
		}
	}
	return true
}
