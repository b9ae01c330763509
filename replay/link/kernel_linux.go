package link

import (
	"errors"
	"fmt"
	"syscall"

	"golang.org/x/sys/unix"
)

// rawFDFrames is an option of raw CAN sockets (linux/can/raw.h).
const rawFDFrames = 5

// askKernel asks for all links and all rules of the CAN gateway. It needs no privilege.
func askKernel() (n network, err error) {
	if n.devices, err = listing(unix.RTM_GETLINK, unix.AF_UNSPEC, readLinks); err != nil {
		return network{}, fmt.Errorf("ask the kernel for its links: %w", err)
	}
	if n.rules, err = listing(unix.RTM_GETROUTE, unix.AF_CAN, readRules); err != nil {
		return network{}, fmt.Errorf("ask the kernel for the rules of its CAN gateway: %w", err)
	}
	return n, nil
}

// listing asks by rtnetlink(7), again where things changed meanwhile.
func listing[T any](ask, family int, read func([]byte) ([]T, error)) (all []T, err error) {
	const tries = 5
	for range tries {
		var b []byte
		if b, err = syscall.NetlinkRIB(ask, family); err != nil {
			return nil, err
		}
		if all, err = read(b); !errors.Is(err, errChanged) {
			return all, err
		}
	}
	return nil, err
}

// socket sends on one link. It hears nothing.
type socket int

func openOutlet(index int) (outlet, error) {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("open a CAN socket: %w", err)
	}
	if err := bind(fd, index); err != nil {
		return nil, errors.Join(fmt.Errorf("bind a CAN socket: %w", err), unix.Close(fd))
	}
	return socket(fd), nil
}

// bind lets the socket send FD frames too, and keeps everything that others send out of its queue.
func bind(fd, index int) error {
	if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, nil); err != nil {
		return err
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, rawFDFrames, 1); err != nil {
		return err
	}
	return unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index})
}

func (s socket) put(record []byte) error {
	_, err := unix.Write(int(s), record)
	return err
}

func (s socket) close() error { return unix.Close(int(s)) }
