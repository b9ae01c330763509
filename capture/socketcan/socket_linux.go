package socketcan

import (
	"encoding/binary"
	"errors"
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"

	"ridewitness/capture"
)

// Options of raw CAN sockets (linux/can/raw.h).
const (
	rawErrorFilter = 2
	rawFDFrames    = 5
	everyError     = unix.CAN_ERR_MASK
)

// perCall is how many frames one system call takes at most. More per call gains nothing.
const perCall = 256

// controlLength is room for the control messages of one frame: three stamps and the drop counter,
// each with its header.
const controlLength = 128

// socket receives from one bus. It has no way to send.
type socket struct {
	fd      int
	buffer  int  // bytes, as the kernel counts them
	forced  bool // beyond the system's limit
	dropped uint32

	headers  []unix.Mmsghdr
	vectors  []unix.Iovec
	records  []byte // fdFrameLength for each
	controls []byte // controlLength for each

	// What the last receive brought.
	frames []capture.Frame
	lost   []uint32 // frames lost before each of them
}

// openSocket opens a raw socket on the link with that index.
func openSocket(index, buffer int) (*socket, error) {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return nil, cause(err)
	}
	s, err := listen(fd, buffer)
	if err == nil {
		err = s.bind(index)
	}
	if err != nil {
		unix.Close(fd)
		return nil, err
	}
	return s, nil
}

// Stack reports why this system has no CAN sockets, nil where it has them. The error is a *LinkError.
func Stack() error {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return &LinkError{Err: cause(err)}
	}
	unix.Close(fd)
	return nil
}

// cause names the errors of opening a CAN socket.
func cause(err error) error {
	switch {
	case errors.Is(err, unix.EAFNOSUPPORT), errors.Is(err, unix.EPROTONOSUPPORT):
		return fmt.Errorf("%w: %w", ErrNoStack, err)
	case errors.Is(err, unix.EPERM), errors.Is(err, unix.EACCES):
		return fmt.Errorf("%w: %w", ErrNotPermitted, err)
	default:
		return fmt.Errorf("open a CAN socket: %w", err)
	}
}

// bind makes the socket one that hears all that there is on a link: FD frames, which it would else
// miss without a count, and reports of errors.
func (s *socket) bind(index int) error {
	for option, value := range map[int]int{rawFDFrames: 1, rawErrorFilter: everyError} {
		if err := unix.SetsockoptInt(s.fd, unix.SOL_CAN_RAW, option, value); err != nil {
			return fmt.Errorf("set up a CAN socket: %w", err)
		}
	}
	if err := unix.Bind(s.fd, &unix.SockaddrCAN{Ifindex: index}); err != nil {
		return fmt.Errorf("bind a CAN socket: %w", err)
	}
	return nil
}

// listen prepares a datagram socket for receive. Stamps are switched on before it is bound, so that
// no frame comes without one.
func listen(fd, buffer int) (*socket, error) {
	s := &socket{
		fd:      fd,
		headers: make([]unix.Mmsghdr, perCall), vectors: make([]unix.Iovec, perCall),
		records: make([]byte, perCall*fdFrameLength), controls: make([]byte, perCall*controlLength),
		frames: make([]capture.Frame, perCall), lost: make([]uint32, perCall),
	}
	for i := range s.headers {
		s.vectors[i].Base = &s.records[i*fdFrameLength]
		s.vectors[i].SetLen(fdFrameLength)
		s.headers[i].Hdr.Iov = &s.vectors[i]
		s.headers[i].Hdr.SetIovlen(1)
		s.headers[i].Hdr.Control = &s.controls[i*controlLength]
	}
	const stamps = unix.SOF_TIMESTAMPING_RX_SOFTWARE | unix.SOF_TIMESTAMPING_SOFTWARE
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPING, stamps); err != nil {
		return nil, fmt.Errorf("ask for stamps: %w", err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return nil, fmt.Errorf("ask for the count of dropped frames: %w", err)
	}
	return s, s.enlarge(buffer)
}

// enlarge asks for a large buffer, by privilege and else within the system's limit, and reads back
// what it got. The kernel gives twice what it is asked for (socket(7)).
func (s *socket) enlarge(bytes int) (err error) {
	bytes /= 2
	s.forced = unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, bytes) == nil
	if !s.forced {
		if err := unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RCVBUF, bytes); err != nil {
			return fmt.Errorf("ask for a buffer of %d bytes: %w", bytes, err)
		}
	}
	s.buffer, err = unix.GetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RCVBUF)
	return err
}

// receive takes up to perCall frames that wait, and returns how many. It never blocks. The kernel
// overwrites the lengths of the control messages, so they are set before each call: else stamps
// vanish without an error.
func (s *socket) receive(bus capture.BusID, c *clock) (int, error) {
	for i := range s.headers {
		s.headers[i].Hdr.SetControllen(controlLength)
	}
	got, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, uintptr(s.fd), uintptr(unsafe.Pointer(&s.headers[0])),
		perCall, unix.MSG_DONTWAIT, 0, 0)
	switch errno {
	case 0:
	case unix.EAGAIN, unix.EINTR:
		return 0, nil
	default:
		return 0, errno
	}
	for i := range int(got) {
		s.read(i, bus, c)
	}
	return int(got), nil
}

// read turns the i-th message into a frame.
func (s *socket) read(i int, bus capture.BusID, c *clock) {
	header := &s.headers[i]
	record := s.records[i*fdFrameLength:][:fdFrameLength]
	length := min(int(header.Len), fdFrameLength)
	s.frames[i] = frameOf(record[:length])
	f := &s.frames[i]
	f.Bus = bus
	f.Flags |= direction(int(header.Hdr.Flags))
	s.lost[i] = 0
	f.At = c.now()
	control := s.controls[i*controlLength:][:min(int(header.Hdr.Controllen), controlLength)]
	s.readControl(control, i, c)
}

// frameOf reads a record of the kernel: struct can_frame, or struct canfd_frame where it is longer.
// The identifier is in the host's byte order.
//
//	0       4     5      6      8
//	| id    | len | flags| 0    | data ...
func frameOf(b []byte) (f capture.Frame) {
	if len(b) < classicFrameLength {
		return f
	}
	id := binary.NativeEndian.Uint32(b)
	f.ID = capture.ID(id & unix.CAN_EFF_MASK)
	switch {
	case id&unix.CAN_ERR_FLAG != 0:
		f.Flags = capture.Error
	case id&unix.CAN_EFF_FLAG != 0:
		f.Flags = capture.Extended
	default:
		f.ID &= capture.MaxStandardID
	}
	most := capture.MaxClassicData
	if len(b) == fdFrameLength {
		most = capture.MaxData
		f.Flags |= capture.FD | fdFlags(b[5])
	} else if id&unix.CAN_RTR_FLAG != 0 {
		f.Flags |= capture.Remote
	}
	f.Len = uint8(min(int(b[4]), most))
	if f.Flags.Has(capture.Remote) {
		return f
	}
	copy(f.Data[:f.Len], b[8:])
	return f
}

// fdFlags reads the flags of an FD frame (linux/can.h).
func fdFlags(b byte) (flags capture.Flags) {
	const bitRateSwitch, errorState = 0x01, 0x02
	if b&bitRateSwitch != 0 {
		flags |= capture.BitRateSwitch
	}
	if b&errorState != 0 {
		flags |= capture.ErrorState
	}
	return flags
}

// direction reads the flags of a message: the kernel marks what this host sent.
func direction(flags int) capture.Flags {
	if flags&(unix.MSG_DONTROUTE|unix.MSG_CONFIRM) != 0 {
		return capture.Outbound
	}
	return capture.Inbound
}

// readControl reads the control messages of the i-th frame: its stamp, and the socket's count of
// dropped frames as of when this frame was queued. Without a stamp the frame keeps the time of now.
func (s *socket) readControl(b []byte, i int, c *clock) {
	const head = unix.SizeofCmsghdr
	for len(b) >= head {
		message := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
		length := int(message.Len)
		if length < head || length > len(b) || message.Level != unix.SOL_SOCKET {
			return
		}
		switch body := b[head:length]; {
		case message.Type == unix.SCM_TIMESTAMPING && len(body) >= int(unsafe.Sizeof(unix.Timespec{})):
			if wall := (*unix.Timespec)(unsafe.Pointer(&body[0])).Nano(); wall != 0 {
				s.frames[i].At = c.stamp(wall)
			}
		case message.Type == unix.SO_RXQ_OVFL && len(body) >= 4:
			s.lost[i] = s.drops(binary.NativeEndian.Uint32(body))
		}
		b = b[min(unix.CmsgSpace(length-head), len(b)):]
	}
}

// drops takes a value of the socket's counter, which wraps, and returns by how much it has grown. A
// value from before the last one that was asked for says nothing new.
func (s *socket) drops(counter uint32) uint32 {
	grown := counter - s.dropped
	if int32(grown) <= 0 {
		return 0
	}
	s.dropped = counter
	return grown
}

// askDrops reads the counter itself: frames that were dropped after the last one that was read show
// nowhere else (SO_MEMINFO, linux/sock_diag.h). Where the kernel has no answer it is the value known.
func (s *socket) askDrops() uint32 {
	const values, drops = 9, 8
	var memory [values]uint32
	length := uint32(unsafe.Sizeof(memory))
	_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, uintptr(s.fd), unix.SOL_SOCKET, unix.SO_MEMINFO,
		uintptr(unsafe.Pointer(&memory)), uintptr(unsafe.Pointer(&length)), 0)
	if errno != 0 || length < uint32(unsafe.Sizeof(memory)) {
		return s.dropped
	}
	return memory[drops]
}

func (s *socket) close() { unix.Close(s.fd) }
