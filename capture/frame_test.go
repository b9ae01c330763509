package capture_test

import (
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/socketcan"

	"ridewitness/capture"
)

// The drawing at Frame says 88 bytes: batches and rings are sized by it.
func TestFrameIsEightyEightBytes(t *testing.T) {
	require.EqualValues(t, 88, unsafe.Sizeof(capture.Frame{}))
	require.EqualValues(t, 24, unsafe.Offsetof(capture.Frame{}.Data))
}

func TestFramesAreValues(t *testing.T) {
	a := capture.Frame{At: 5, ID: 0x4A1, Len: 2, Data: [capture.MaxData]byte{1, 2}}
	b := a
	require.True(t, a == b)
	b.Data[63] = 1
	require.False(t, a == b, "bytes past the length count too, so a source must leave them zero")
}

func TestLimitsOfTheFrameLibrary(t *testing.T) {
	require.EqualValues(t, can.MaxID, capture.MaxStandardID)
	require.EqualValues(t, can.MaxExtendedID, capture.MaxExtendedID)
	require.EqualValues(t, can.MaxDataLength, capture.MaxClassicData)
	require.EqualValues(t, 64, capture.MaxData, "ISO 11898-1: the longest payload of an FD frame")
}

func TestErrorClassesOfTheFrameLibrary(t *testing.T) {
	for ours, theirs := range map[capture.ErrorClass]socketcan.ErrorClass{
		capture.ErrorTxTimeout:   socketcan.ErrorClassTxTimeout,
		capture.ErrorArbitration: socketcan.ErrorClassLostArbitration,
		capture.ErrorController:  socketcan.ErrorClassController,
		capture.ErrorProtocol:    socketcan.ErrorClassProtocolViolation,
		capture.ErrorTransceiver: socketcan.ErrorClassTransceiver,
		capture.ErrorNoAck:       socketcan.ErrorClassNoAck,
		capture.ErrorBusOff:      socketcan.ErrorClassBusOff,
		capture.ErrorBus:         socketcan.ErrorClassBusError,
		capture.ErrorRestarted:   socketcan.ErrorClassRestarted,
	} {
		require.EqualValues(t, theirs, ours)
	}
	require.EqualValues(t, 0x200, capture.ErrorCounters, "CAN_ERR_CNT in the kernel's header linux/can/error.h")
}

func TestPayload(t *testing.T) {
	data := [capture.MaxData]byte{1, 2, 3, 4, 5, 6, 7, 8, 9}
	for name, c := range map[string]struct {
		frame capture.Frame
		want  []byte
	}{
		"classic":                           {capture.Frame{Len: 3, Data: data}, []byte{1, 2, 3}},
		"nothing":                           {capture.Frame{Data: data}, []byte{}},
		"remote: a length, and no data":     {capture.Frame{Len: 3, Flags: capture.Remote, Data: data}, nil},
		"a length that no frame can have":   {capture.Frame{Len: 200, Flags: capture.FD, Data: data}, data[:]},
		"error frames have eight bytes too": {capture.Frame{Len: 8, Flags: capture.Error, Data: data}, data[:8]},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, c.want, c.frame.Payload())
		})
	}
}

func TestControllerOverflow(t *testing.T) {
	overflow := byte(socketcan.ControllerErrorRxBufferOverflow)
	frame := func(flags capture.Flags, class capture.ErrorClass, length uint8, controller byte) capture.Frame {
		return capture.Frame{Flags: flags, ID: capture.ID(class), Len: length, Data: [capture.MaxData]byte{0, controller}}
	}
	for name, c := range map[string]struct {
		frame capture.Frame
		want  bool
	}{
		"overflow":                              {frame(capture.Error, capture.ErrorController, 8, overflow), true},
		"overflow beside other things":          {frame(capture.Error, capture.ErrorController|capture.ErrorCounters, 8, overflow|0x08), true},
		"a warning only":                        {frame(capture.Error, capture.ErrorController, 8, byte(socketcan.ControllerErrorTxWarning)), false},
		"another class, whatever the byte says": {frame(capture.Error, capture.ErrorBus, 8, overflow), false},
		"the byte is not there":                 {frame(capture.Error, capture.ErrorController, 1, overflow), false},
		"no error frame":                        {frame(0, capture.ErrorController, 8, overflow), false},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, c.want, c.frame.ControllerOverflow())
		})
	}
	data := frame(0, capture.ErrorController, 8, overflow)
	require.Zero(t, data.ErrorClass())
}

// RFC 3339, section 5.8, and seconds since 1970 worked out with date(1).
func TestStamp(t *testing.T) {
	for text, want := range map[string]capture.Stamp{
		"1970-01-01T00:00:00.000000000Z": 0,
		"1985-04-12T23:20:50.520000000Z": 482_196_050_520_000_000,
		"2026-03-02T09:14:05.123456789Z": 1_772_442_845_123_456_789,
		"2262-04-11T23:47:16.854775807Z": 1<<63 - 1,
	} {
		require.Equal(t, text, want.String())
		require.Equal(t, text, string(want.Append(nil)))
		at, err := time.Parse(time.RFC3339Nano, text)
		require.NoError(t, err)
		require.Equal(t, want, capture.StampOf(at))
		require.True(t, at.Equal(want.Time()))
	}
	zone := time.FixedZone("", 3*3600)
	require.Equal(t, capture.Stamp(482_196_050_520_000_000), capture.StampOf(time.Date(1985, 4, 13, 2, 20, 50, 520_000_000, zone)))
	at := capture.Stamp(1_772_442_845_000_000_000)
	require.Equal(t, 90*time.Second, at.Add(90*time.Second).Sub(at))
}

func TestBatch(t *testing.T) {
	b := capture.NewBatch()
	require.Equal(t, capture.BatchFrames, cap(b.Frames))
	b.Frames = append(b.Frames, capture.Frame{ID: 1})
	b.Events = append(b.Events, capture.Event{Kind: capture.EventLoss})
	b.Reset()
	require.Empty(t, b.Frames)
	require.Empty(t, b.Events)
	require.Equal(t, capture.BatchFrames, cap(b.Frames), "the memory is kept")
}
