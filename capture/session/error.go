package session

import (
	"errors"
	"fmt"
)

// What can be wrong with a file. Callers use errors.Is.
var (
	ErrNotCapture  = errors.New("this is no pcapng or pcap file")
	ErrTruncated   = errors.New("the file ends inside it")
	ErrLength      = errors.New("its length can't be right")
	ErrTrailer     = errors.New("its two lengths differ")
	ErrTooLong     = errors.New("it is longer than any block of a capture")
	ErrVersion     = errors.New("unknown version of the format")
	ErrInterface   = errors.New("it names an interface that was not described")
	ErrTimeUnit    = errors.New("unsupported time unit")
	ErrLinkType    = errors.New("frames of this link type are not read")
	ErrRecord      = errors.New("the frame in it is damaged")
	ErrOptions     = errors.New("its options run past its end")
	ErrTextMode    = errors.New("a transfer in text mode damaged the file")
	ErrTooMany     = errors.New("there are more of them than are read")
	ErrZeros       = errors.New("nothing but zeros follows")
	ErrJournal     = errors.New("the journal record is damaged")
	ErrNotMendable = errors.New("nothing in it can be saved")
)

// FormatError reports bytes that are not what the format demands.
type FormatError struct {
	File   string
	Offset int64  // of the block's or record's first byte
	Block  string // "enhanced packet", "interface description", ...
	Detail string
	Err    error
	wrong  int64 // offset of the first byte that can't be right, where it lies behind Offset
}

// Error names file, byte, block and what is wrong.
func (e *FormatError) Error() string {
	text := fmt.Sprintf("%s: byte %d: %s: %v", e.File, e.Offset, e.Block, e.Err)
	if e.Detail != "" {
		text += " (" + e.Detail + ")"
	}
	return text
}

// Unwrap returns the cause.
func (e *FormatError) Unwrap() error { return e.Err }

// MediumError reports that reading or writing the file failed: the medium's fault, not the content's.
type MediumError struct {
	File   string
	Offset int64
	Err    error
}

// Error names file, byte and cause.
func (e *MediumError) Error() string { return fmt.Sprintf("%s: byte %d: %v", e.File, e.Offset, e.Err) }

// Unwrap returns the cause.
func (e *MediumError) Unwrap() error { return e.Err }
