package uds

import "fmt"

// Code is the code of a negative response.
type Code uint8

const (
	ServiceNotSupported     Code = 0x11
	SubFunctionNotSupported Code = 0x12
	BusyRepeatRequest       Code = 0x21
	ConditionsNotCorrect    Code = 0x22
	RequestOutOfRange       Code = 0x31
	ResponsePending         Code = 0x78
)

// code is the standard's name of a code and the same as words for a sentence.
type code struct{ name, words string }

// codes are those of ISO 14229-1. 0x34 and 0x94 came with its edition of 2020.
var codes = map[Code]code{
	0x10: {"generalReject", "rejected without a reason"},
	0x11: {"serviceNotSupported", "service not supported"},
	0x12: {"subFunctionNotSupported", "sub-function not supported"},
	0x13: {"incorrectMessageLengthOrInvalidFormat", "wrong length or format"},
	0x14: {"responseTooLong", "the answer would be too long"},
	0x21: {"busyRepeatRequest", "busy, ask again"},
	0x22: {"conditionsNotCorrect", "conditions not correct"},
	0x24: {"requestSequenceError", "asked out of order"},
	0x25: {"noResponseFromSubnetComponent", "a unit behind it does not answer"},
	0x26: {"failurePreventsExecutionOfRequestedAction", "a fault prevents it"},
	0x31: {"requestOutOfRange", "request out of range"},
	0x33: {"securityAccessDenied", "access denied"},
	0x34: {"authenticationRequired", "authentication required"},
	0x35: {"invalidKey", "wrong key"},
	0x36: {"exceedNumberOfAttempts", "too many attempts"},
	0x37: {"requiredTimeDelayNotExpired", "the waiting time is not over"},
	0x38: {"secureDataTransmissionRequired", "secure transmission required"},
	0x39: {"secureDataTransmissionNotAllowed", "secure transmission not allowed"},
	0x3A: {"secureDataVerificationFailed", "secure data could not be verified"},
	0x70: {"uploadDownloadNotAccepted", "upload or download not accepted"},
	0x71: {"transferDataSuspended", "transfer suspended"},
	0x72: {"generalProgrammingFailure", "programming fault"},
	0x73: {"wrongBlockSequenceCounter", "wrong block number"},
	0x78: {"requestCorrectlyReceived-ResponsePending", "received, answer pending"},
	0x7E: {"subFunctionNotSupportedInActiveSession", "sub-function not supported in this session"},
	0x7F: {"serviceNotSupportedInActiveSession", "service not supported in this session"},
	0x81: {"rpmTooHigh", "engine speed too high"},
	0x82: {"rpmTooLow", "engine speed too low"},
	0x83: {"engineIsRunning", "the engine is running"},
	0x84: {"engineIsNotRunning", "the engine is not running"},
	0x85: {"engineRunTimeTooLow", "the engine has not run long enough"},
	0x86: {"temperatureTooHigh", "temperature too high"},
	0x87: {"temperatureTooLow", "temperature too low"},
	0x88: {"vehicleSpeedTooHigh", "vehicle speed too high"},
	0x89: {"vehicleSpeedTooLow", "vehicle speed too low"},
	0x8A: {"throttle/PedalTooHigh", "throttle or pedal too far down"},
	0x8B: {"throttle/PedalTooLow", "throttle or pedal not far enough down"},
	0x8C: {"transmissionRangeNotInNeutral", "the transmission is not in neutral"},
	0x8D: {"transmissionRangeNotInGear", "the transmission is not in gear"},
	0x8F: {"brakeSwitch(es)NotClosed", "the brake pedal is not pressed"},
	0x90: {"shifterLeverNotInPark", "the selector lever is not in park"},
	0x91: {"torqueConverterClutchLocked", "the torque converter clutch is locked"},
	0x92: {"voltageTooHigh", "voltage too high"},
	0x93: {"voltageTooLow", "voltage too low"},
	0x94: {"resourceTemporarilyNotAvailable", "something it needs is not available for the moment"},
}

// makerCodes are the codes for conditions that each vehicle maker defines: 0xF0 to 0xFE.
var makerCodes = code{"vehicleManufacturerSpecificConditionsNotCorrect", "conditions of the vehicle's maker not correct"}

// lookup finds a code in the table, or among those that the standard leaves to the makers.
func (c Code) lookup() (code, bool) {
	if c >= 0xF0 && c <= 0xFE {
		return makerCodes, true
	}
	known, ok := codes[c]
	return known, ok
}

// String returns the standard's name, or the number of a reserved code.
func (c Code) String() string {
	if known, ok := c.lookup(); ok {
		return known.name
	}
	return fmt.Sprintf("code 0x%02X", uint8(c))
}

// Words returns what the code means, to stand in a sentence.
func (c Code) Words() string {
	if known, ok := c.lookup(); ok {
		return known.words
	}
	return fmt.Sprintf("code 0x%02X, which the standard does not name", uint8(c))
}
