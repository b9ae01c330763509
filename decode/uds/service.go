package uds

import "fmt"

// Service is a service identifier of a request.
type Service uint8

const (
	DiagnosticSessionControl       Service = 0x10
	ECUReset                       Service = 0x11
	ClearDiagnosticInformation     Service = 0x14
	ReadDTCInformation             Service = 0x19
	ReadDataByIdentifier           Service = 0x22
	SecurityAccess                 Service = 0x27
	CommunicationControl           Service = 0x28
	WriteDataByIdentifier          Service = 0x2E
	InputOutputControlByIdentifier Service = 0x2F
	RoutineControl                 Service = 0x31
	TesterPresent                  Service = 0x3E
	ControlDTCSetting              Service = 0x85
)

const (
	negative       = 0x7F // first byte of a negative response
	positiveOffset = 0x40 // a positive response begins with the request's service plus this
	suppressBit    = 0x80 // of a sub-function: send no positive response
)

// Sub-functions of RoutineControl.
const (
	StartRoutine   uint8 = 0x01
	StopRoutine    uint8 = 0x02
	RoutineResults uint8 = 0x03
)

// Control parameters of InputOutputControlByIdentifier.
const (
	ReturnControl       uint8 = 0x00
	ResetToDefault      uint8 = 0x01
	FreezeCurrentState  uint8 = 0x02
	ShortTermAdjustment uint8 = 0x03
)

// controlAt is where the control parameter stands in a request to service 0x2F.
const controlAt = 3

// service is what the standard says of one service.
type service struct {
	name string
	sub  subFunction
	id   int // where the u16be identifier of request and response stands; 0 for none
}

// subFunction says whether the byte after the service is a sub-function.
type subFunction uint8

const (
	withoutSub subFunction = iota
	withSub
)

// services lists those whose answers can be matched by more than the service (ISO 14229-1). The
// others are matched by their service alone.
var services = map[Service]service{
	DiagnosticSessionControl:       {name: "DiagnosticSessionControl", sub: withSub},
	ECUReset:                       {name: "ECUReset", sub: withSub},
	ClearDiagnosticInformation:     {name: "ClearDiagnosticInformation"},
	ReadDTCInformation:             {name: "ReadDTCInformation", sub: withSub},
	ReadDataByIdentifier:           {name: "ReadDataByIdentifier", id: 1},
	0x23:                           {name: "ReadMemoryByAddress"},
	0x24:                           {name: "ReadScalingDataByIdentifier", id: 1},
	SecurityAccess:                 {name: "SecurityAccess", sub: withSub},
	CommunicationControl:           {name: "CommunicationControl", sub: withSub},
	0x29:                           {name: "Authentication", sub: withSub},
	0x2A:                           {name: "ReadDataByPeriodicIdentifier"},
	0x2C:                           {name: "DynamicallyDefineDataIdentifier", sub: withSub},
	WriteDataByIdentifier:          {name: "WriteDataByIdentifier", id: 1},
	InputOutputControlByIdentifier: {name: "InputOutputControlByIdentifier", id: 1},
	RoutineControl:                 {name: "RoutineControl", sub: withSub, id: 2},
	0x34:                           {name: "RequestDownload"},
	0x35:                           {name: "RequestUpload"},
	0x36:                           {name: "TransferData"},
	0x37:                           {name: "RequestTransferExit"},
	0x38:                           {name: "RequestFileTransfer"},
	0x3D:                           {name: "WriteMemoryByAddress"},
	TesterPresent:                  {name: "TesterPresent", sub: withSub},
	0x84:                           {name: "SecuredDataTransmission"},
	ControlDTCSetting:              {name: "ControlDTCSetting", sub: withSub},
	0x86:                           {name: "ResponseOnEvent", sub: withSub},
	0x87:                           {name: "LinkControl", sub: withSub},
}

// String returns the standard's name, or the number of a service that it does not name.
func (s Service) String() string {
	if known, ok := services[s]; ok {
		return known.name
	}
	return fmt.Sprintf("service 0x%02X", uint8(s))
}

// Request is what a request says. The zero Service is none.
type Request struct {
	Service    Service
	Sub        uint8 // sub-function without the suppress bit, where HasSub
	HasSub     bool
	Suppressed bool   // no positive response wanted
	Identifier uint16 // data identifier or routine, where HasID; of several, the first
	HasID      bool
	Control    uint8 // InputOutputControlByIdentifier: what to do, where HasControl
	HasControl bool
}

// ParseRequest reads a request. It reports false for one that is too short for its service; what
// could be read is returned all the same.
func ParseRequest(payload []byte) (Request, bool) {
	if len(payload) == 0 {
		return Request{}, false
	}
	r := Request{Service: Service(payload[0])}
	s := services[r.Service]
	whole := true
	if s.sub == withSub {
		if len(payload) < 2 {
			return r, false
		}
		r.HasSub, r.Sub, r.Suppressed = true, payload[1]&^suppressBit, payload[1]&suppressBit != 0
	}
	if s.id > 0 {
		r.Identifier, r.HasID = identifierAt(payload, s.id)
		whole = r.HasID
	}
	if r.Service == InputOutputControlByIdentifier {
		if whole = len(payload) > controlAt; whole {
			r.Control, r.HasControl = payload[controlAt], true
		}
	}
	return r, whole
}

// Answer is what a response says. The zero Service is none.
type Answer struct {
	Service    Service // of the request it answers
	Negative   bool
	Code       Code // of a negative response
	Sub        uint8
	HasSub     bool
	Identifier uint16
	HasID      bool
}

// ParseAnswer reads a response. It reports false for one that is too short, or is none; what could be
// read is returned all the same.
func ParseAnswer(payload []byte) (Answer, bool) {
	if len(payload) == 0 {
		return Answer{}, false
	}
	if payload[0] == negative {
		return parseNegative(payload)
	}
	if payload[0]&positiveOffset == 0 {
		return Answer{}, false
	}
	a := Answer{Service: Service(payload[0] - positiveOffset)}
	s := services[a.Service]
	if s.sub == withSub {
		if len(payload) < 2 {
			return a, false
		}
		a.HasSub, a.Sub = true, payload[1]
	}
	if s.id == 0 {
		return a, true
	}
	a.Identifier, a.HasID = identifierAt(payload, s.id)
	return a, a.HasID
}

// parseNegative reads `7F`, service, code.
func parseNegative(payload []byte) (Answer, bool) {
	a := Answer{Negative: true}
	if len(payload) < 3 {
		return a, false
	}
	a.Service, a.Code = Service(payload[1]), Code(payload[2])
	return a, true
}

// identifierAt reads the two bytes of an identifier, high byte first.
func identifierAt(payload []byte, at int) (uint16, bool) {
	if len(payload) < at+2 {
		return 0, false
	}
	return uint16(payload[at])<<8 | uint16(payload[at+1]), true
}

// answers reports whether a is what a unit sends in answer to r: for a service with a sub-function
// the same one, without the suppress bit; for one with an identifier the same one. Of several
// identifiers asked for, those that the unit does not support are left out, so there a's must only be
// one of the list.
func (a Answer) answers(r Request, request []byte) bool {
	if a.Service != r.Service {
		return false
	}
	if a.Negative {
		return true
	}
	if r.HasSub && (!a.HasSub || a.Sub != r.Sub) {
		return false
	}
	if !r.HasID {
		return true
	}
	if !a.HasID {
		return false
	}
	if r.Service != ReadDataByIdentifier {
		return a.Identifier == r.Identifier
	}
	_, asked := nextAsked(request, 1, a.Identifier)
	return asked
}

// nextAsked finds id among the identifiers of a request to service 0x22 from byte at on, and returns
// where the one after it stands.
func nextAsked(request []byte, at int, id uint16) (int, bool) {
	for ; at+2 <= len(request); at += 2 {
		if asked, _ := identifierAt(request, at); asked == id {
			return at + 2, true
		}
	}
	return at, false
}
