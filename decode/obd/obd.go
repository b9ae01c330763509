package obd

import (
	"fmt"

	"ridewitness/capture"
)

// CurrentData is the service that asks for live values.
const CurrentData = 0x01

// answerCurrentData is the first byte of a positive answer to CurrentData.
const answerCurrentData = CurrentData + 0x40

// Identifiers of ISO 15765-4.
const (
	Functional         capture.ID = 0x7DF // 11 bit, to all units
	FunctionalExtended capture.ID = 0x18DB33F1

	firstRequest     capture.ID = 0x7E0 // 11 bit, to one unit
	answerOffset     capture.ID = 8
	extendedRequest  capture.ID = 0x18DA00F1 // the unit's address goes into bits 8 to 15
	extendedResponse capture.ID = 0x18DAF100 // the unit's address goes into bits 0 to 7
)

// StandardUnits is how many units the 11 bit identifiers allow for.
const StandardUnits = 8

// StandardPair returns the 11 bit identifiers to and from unit n, 0 to StandardUnits-1.
func StandardPair(n int) (request, response capture.ID) {
	request = firstRequest + capture.ID(n)
	return request, request + answerOffset
}

// ExtendedPair returns the 29 bit identifiers to and from the unit with that address.
func ExtendedPair(address uint8) (request, response capture.ID) {
	return extendedRequest | capture.ID(address)<<8, extendedResponse | capture.ID(address)
}

// lengths are the data bytes of each parameter of service 0x01 in public tables of SAE J1979, 0 where
// they are not known or depend on the vehicle: 0x06 to 0x09 and 0x55 to 0x58 have a second byte in
// vehicles with more than two banks.
var lengths = [...]uint8{
	0x00: 4, 0x01: 4, 0x02: 2, 0x03: 2, 0x04: 1, 0x05: 1, 0x0A: 1, 0x0B: 1, 0x0C: 2, 0x0D: 1, 0x0E: 1, 0x0F: 1,
	0x10: 2, 0x11: 1, 0x12: 1, 0x13: 1, 0x14: 2, 0x15: 2, 0x16: 2, 0x17: 2,
	0x18: 2, 0x19: 2, 0x1A: 2, 0x1B: 2, 0x1C: 1, 0x1D: 1, 0x1E: 1, 0x1F: 2,
	0x20: 4, 0x21: 2, 0x22: 2, 0x23: 2, 0x24: 4, 0x25: 4, 0x26: 4, 0x27: 4,
	0x28: 4, 0x29: 4, 0x2A: 4, 0x2B: 4, 0x2C: 1, 0x2D: 1, 0x2E: 1, 0x2F: 1,
	0x30: 1, 0x31: 2, 0x32: 2, 0x33: 1, 0x34: 4, 0x35: 4, 0x36: 4, 0x37: 4,
	0x38: 4, 0x39: 4, 0x3A: 4, 0x3B: 4, 0x3C: 2, 0x3D: 2, 0x3E: 2, 0x3F: 2,
	0x40: 4, 0x41: 4, 0x42: 2, 0x43: 2, 0x44: 2, 0x45: 1, 0x46: 1, 0x47: 1,
	0x48: 1, 0x49: 1, 0x4A: 1, 0x4B: 1, 0x4C: 1, 0x4D: 2, 0x4E: 2, 0x4F: 4,
	0x50: 4, 0x51: 1, 0x52: 1, 0x53: 2, 0x54: 2, 0x59: 2, 0x5A: 1, 0x5B: 1,
	0x5C: 1, 0x5D: 2, 0x5E: 2, 0x5F: 1, 0x60: 4, 0x61: 1, 0x62: 1, 0x63: 2, 0x64: 5,
	0x80: 4, 0xA0: 4, 0xC0: 4,
}

// Length returns how many bytes of data a parameter of service 0x01 has, and false where that is not
// known.
func Length(parameter uint8) (int, bool) {
	if int(parameter) >= len(lengths) || lengths[parameter] == 0 {
		return 0, false
	}
	return int(lengths[parameter]), true
}

// Parameter is one parameter of an answer and where its data lies in the payload.
type Parameter struct {
	ID       uint8
	From, To int // To is the first byte after it
}

// RestError says from where on an answer can't be read, and why.
type RestError struct {
	Offset  int // in the payload
	Problem string
}

// Error names the byte and the problem.
func (e *RestError) Error() string { return fmt.Sprintf("byte %d: %s", e.Offset, e.Problem) }

// AppendParameters takes a positive answer to service 0x01 apart and appends its parameters to dst.
// Parameters the unit does not have are left out of an answer, so what is there speaks for itself.
// From a parameter of unknown length on, nothing can be placed. When the bytes do not come out even,
// a length is wrong, and only the first parameter is given, as its place depends on none.
func AppendParameters(dst []Parameter, payload []byte) ([]Parameter, error) {
	if len(payload) == 0 || payload[0] != answerCurrentData {
		return dst, &RestError{Problem: "this is no positive answer to service 0x01"}
	}
	first := len(dst)
	for at := 1; at < len(payload); {
		n, known := Length(payload[at])
		if !known {
			return dst, &RestError{Offset: at, Problem: fmt.Sprintf("the length of parameter 0x%02X is not known", payload[at])}
		}
		p := Parameter{ID: payload[at], From: at + 1, To: at + 1 + n}
		if p.To > len(payload) {
			problem := fmt.Sprintf("parameter 0x%02X needs %d bytes, %d are left", p.ID, n, len(payload)-p.From)
			return dst[:min(len(dst), first+1)], &RestError{Offset: at, Problem: problem}
		}
		dst = append(dst, p)
		at = p.To
	}
	return dst, nil
}
