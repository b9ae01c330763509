package signaldef

import (
	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/document"
)

// AddressKeys are the keys that ReadAddress reads.
var AddressKeys = []string{"request", "response", "format", "address_extension", "request_address", "response_address"}

// ReadAddress reads how tester and control unit address each other (ISO 15765-2) from a map of
// definitions or of a job card. It is false when something is missing or wrong, which is then noted.
//
// Without `format` the identifiers are of 29 bits when one of them needs it.
func ReadAddress(m document.Map) (decode.Address, bool) {
	var a decode.Address
	request := m.Need("request", "the identifier of the tester's requests, such as 0x6D4")
	response := m.Need("response", "the identifier of the answers, such as 0x6DC")
	rq, okRequest := request.Uint(0, uint64(capture.MaxExtendedID))
	rs, okResponse := response.Uint(0, uint64(capture.MaxExtendedID))
	if !okRequest || !okResponse {
		return a, false
	}
	a.Request, a.Response = capture.ID(rq), capture.ID(rs)
	// the width comes first: an address that is wrong there is wrong whatever goes first in its frames
	return a, readWidth(m, &a) && readExtension(m, &a)
}

// readWidth tells 11 from 29 bits.
func readWidth(m document.Map, a *decode.Address) bool {
	word, _ := m.Get("format").Word("standard", "extended")
	// 0x18DAF110 needs no word to be of 29 bits; 0x6DC beside it is a slip of one of the two
	wide := max(a.Request, a.Response) > capture.MaxStandardID
	narrow := min(a.Request, a.Response) <= capture.MaxStandardID
	a.Extended = wide || word == "extended"
	switch {
	case word == "standard" && wide:
		m.Get("format").Refuse("an identifier above 0x7FF needs 29 bits", "extended")
		return false
	case word == "" && wide && narrow:
		m.Get("response").Refuse("request and response differ in width", "both of 11 or both of 29 bits (format: extended makes both 29)")
		return false
	}
	return true
}

// readExtension reads the byte that goes first in each message, where there is one.
func readExtension(m document.Map, a *decode.Address) bool {
	extension, request, response := m.Get("address_extension"), m.Get("request_address"), m.Get("response_address")
	switch {
	case extension.Exists() && (request.Exists() || response.Exists()):
		extension.Refuse("mixed and extended addressing exclude each other", "address_extension alone, or request_address and response_address")
		return false
	case extension.Exists():
		v, ok := extension.Uint(0, 0xFF)
		a.Mixed, a.Extension = true, uint8(v)
		return ok
	case request.Exists() || response.Exists():
		v, okRequest := m.Need("request_address", "the first byte of each request").Uint(0, 0xFF)
		w, okResponse := m.Need("response_address", "the first byte of each answer").Uint(0, 0xFF)
		a.ByTarget, a.RequestTarget, a.ReplyTarget = true, uint8(v), uint8(w)
		return okRequest && okResponse && distinct(m, a)
	}
	return distinct(m, a)
}

// distinct refuses an address in which a request can't be told from an answer.
func distinct(m document.Map, a *decode.Address) bool {
	if a.Request != a.Response || a.ByTarget && a.RequestTarget != a.ReplyTarget {
		return true
	}
	m.Get("response").Refuse("is the same as the request's", "two identifiers, one for each direction")
	return false
}
