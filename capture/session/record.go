package session

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"

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
	KindDamage      = "damage"
	KindWarning     = "warning"
	KindBlind       = "blind"
	KindHandover    = "handover"
	KindSeal        = "seal"
	KindTruth       = "truth" // simulated sessions only; reviews never read it
	KindDisk        = "disk"
	KindPower       = "power"
	KindSound       = "sound"
)

// MarkTakeBack is the mark that withdraws the record that its value names, such as J12.
const MarkTakeBack = "take-back"

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
	Recording   string       `json:"recording,omitempty"` // the same in all files of one recording, and in no other
	Scenario    string       `json:"scenario,omitempty"`
	Seed        uint64       `json:"seed,omitempty"`
	Card        *Text        `json:"card,omitempty"`
	Definitions []Text       `json:"definitions,omitempty"`
	Links       []LinkRecord `json:"links,omitempty"`
	Previous    *Previous    `json:"previous,omitempty"`
	Added       bool         `json:"added,omitempty"` // the section adds to a session that had ended
	MendedFrom  *MendedFrom  `json:"mended_from,omitempty"`
}

// Text is a file that the session was recorded with, whole.
type Text struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // hex, of Text
	Text   string `json:"text"`
}

// NewText returns a text with its digest.
func NewText(name string, text []byte) Text {
	sum := sha256.Sum256(text)
	return Text{Name: name, SHA256: hex.EncodeToString(sum[:]), Text: string(text)}
}

// Previous is what came before a section: its digest and length.
type Previous struct {
	SHA256 string `json:"sha256"` // hex
	Bytes  int64  `json:"bytes"`
}

// MendedFrom is the damaged file that a session was saved from: its own digest and length, and what
// became of it.
type MendedFrom struct {
	Previous
	Integrity      string `json:"integrity"` // altered or cut-short
	Why            string `json:"why,omitempty"`
	Kept           int64  `json:"kept"`               // bytes
	Unproven       int64  `json:"unproven,omitempty"` // bytes of these that no seal covered
	DroppedPackets uint64 `json:"dropped_packets,omitempty"`
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

// States of a link beside those that its controller has.
const (
	LinkDown = "down"
	LinkGone = "gone"
)

// LossRecord says that frames were lost where no packet says so: kind `loss`.
type LossRecord struct {
	Kind  string `json:"kind"`
	Bus   string `json:"bus,omitempty"`
	Count uint64 `json:"count"`
	Where string `json:"where,omitempty"`
}

// DamageRecord says that something in what was recorded could not be read and was left out: kind `damage`.
// A Reader tells of it as of damage of its own.
type DamageRecord struct {
	Kind string `json:"kind"`
	Why  string `json:"why"`
}

// What a DiskRecord tells.
const (
	DiskFailed = "write-failed"
	DiskSlow   = "slow-sync"
	DiskLow    = "low"
)

// DiskRecord says what the disk did, or could not do, to a recording: kind `disk`.
type DiskRecord struct {
	Kind      string  `json:"kind"`
	What      string  `json:"what"`                // DiskFailed, DiskSlow or DiskLow
	File      string  `json:"file,omitempty"`      // that failed
	Error     string  `json:"error,omitempty"`     //
	Again     uint64  `json:"again,omitempty"`     // frames of that file that stand in this one too
	Uncertain uint64  `json:"uncertain,omitempty"` // frames that were written there and may be gone
	Seconds   float64 `json:"seconds,omitempty"`   // that a sync took
	Free      uint64  `json:"free,omitempty"`      // bytes

	// In a file that goes on, how many packets and records of the recording come before those that count
	// from 1 here: a number in this file and this one are the number in the whole recording.
	Packets uint64 `json:"packets,omitempty"`
	Records int64  `json:"records,omitempty"` // may be negative: the file's own two records are in none before
}

// PowerRecord says that the computer lives on its battery, and how much of it is left: kind `power`.
type PowerRecord struct {
	Kind    string `json:"kind"`
	Percent int    `json:"percent"`
}

// ClockChange is what happened to the clocks since the `clock` record before.
type ClockChange struct {
	StepNS  int64 `json:"step_ns"`  // by which the wall clock was set
	SleptNS int64 `json:"slept_ns"` // how long the machine slept
}

// SoundRecord is the answer to a test of the alarm's sound: kind `sound`.
type SoundRecord struct {
	Kind  string `json:"kind"`
	Heard bool   `json:"heard"`
}

// WarningRecord is a warning that was given while the session was recorded: kind `warning`. What is not
// known is left out.
type WarningRecord struct {
	Kind     string   `json:"kind"`
	Rule     string   `json:"rule,omitempty"` // "" for the screen's own: pressure not proven
	Corner   string   `json:"corner"`
	Text     string   `json:"text"`
	Since    string   `json:"since"`                // RFC 3339
	DataAgeS *float64 `json:"data_age_s,omitempty"` // of the corner's values
	ToldMS   *float64 `json:"told_ms,omitempty"`    // from the frame until the screen had taken it
	ClosedMM *float64 `json:"closed_mm,omitempty"`  // the corner, by then
	LeftMM   *float64 `json:"left_mm,omitempty"`    // of its way down
	LeftS    *float64 `json:"left_s,omitempty"`     // at its rate
}

// BlindRecord says how much was seen from then on: kind `blind`.
type BlindRecord struct {
	Kind  string `json:"kind"`
	State string `json:"state"` // BLIND, PART BLIND or WATCHING
	Why   string `json:"why,omitempty"`
}

// AcknowledgeRecord says what somebody answered to a warning: kind `acknowledge`.
type AcknowledgeRecord struct {
	Kind     string  `json:"kind"`
	Rule     string  `json:"rule,omitempty"`
	Corner   string  `json:"corner,omitempty"`
	Since    string  `json:"since,omitempty"`    // of the warning, RFC 3339
	Silenced float64 `json:"silenced,omitempty"` // seconds for which the sound is off; 0: it was seen
	By       string  `json:"by,omitempty"`
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

// HandoverRecord says that somebody took a job over, and what was still open then: kind `handover`.
type HandoverRecord struct {
	Kind string   `json:"kind"`
	To   string   `json:"to"`
	By   string   `json:"by"`
	Note string   `json:"note"`
	Open []string `json:"open"` // sentences, as the one who took over was told
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

// ReadHandover reads the handover record in an event, nil where it is another event or damaged.
func ReadHandover(e *capture.Event) *HandoverRecord {
	if e.Kind != capture.EventJournal || e.Name != KindHandover {
		return nil
	}
	var h HandoverRecord
	if json.Unmarshal(e.Body, &h) != nil {
		return nil
	}
	return &h
}

// ReadSession reads the session record in an event, nil where it is another event or damaged.
func ReadSession(e *capture.Event) *SessionRecord {
	if e.Kind != capture.EventJournal || e.Name != KindSession {
		return nil
	}
	var s SessionRecord
	if json.Unmarshal(e.Body, &s) != nil {
		return nil
	}
	return &s
}

// ReadGoesOn reads the record by which a file says that it goes on from another one of its recording, nil
// where it is another event or damaged.
func ReadGoesOn(e *capture.Event) *DiskRecord {
	if e.Kind != capture.EventJournal || e.Name != KindDisk {
		return nil
	}
	var r DiskRecord
	if json.Unmarshal(e.Body, &r) != nil || r.What != DiskFailed || r.File == "" {
		return nil
	}
	return &r
}
