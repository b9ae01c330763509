package main

import (
	"encoding/binary"
	"fmt"
	"net"
	"os"
	"runtime"
	"strconv"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"

	"ridewitness/capture/socketcan/kerneltest"
)

// programs are what this binary is besides, by the name under which it is started.
var programs = map[string]func(args []string) (exit int){"sends": sends, "walled": walled}

// sends puts a frame on a link in every way that there is, one after the other, so that who watches can
// be shown to see each. A way that the kernel refuses is one that was tried.
func sends(args []string) int {
	link, err := net.InterfaceByName(args[0])
	if err != nil {
		return exitFailed
	}
	socket, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil || unix.Bind(socket, &unix.SockaddrCAN{Ifindex: link.Index}) != nil {
		return exitFailed
	}
	frame := make([]byte, kerneltest.ClassicMTU)
	binary.NativeEndian.PutUint32(frame, 0x100)
	for _, way := range ways {
		if err := way(socket, frame); err != nil {
			fmt.Println(err)
		}
	}
	return exitDone
}

// ways are those of sends, in the order of waysNamed.
var ways = []func(socket int, frame []byte) error{
	func(socket int, frame []byte) error { return of(unix.Write(socket, frame)) },
	func(socket int, frame []byte) error { return of(unix.Writev(socket, [][]byte{frame})) },
	func(socket int, frame []byte) error { return of(unix.Pwrite(socket, frame, 0)) },
	func(socket int, frame []byte) error { return of(unix.Pwritev(socket, [][]byte{frame}, 0)) },
	func(socket int, frame []byte) error { return of(unix.Pwritev2(socket, [][]byte{frame}, -1, 0)) },
	func(socket int, frame []byte) error { return unix.Send(socket, frame, 0) },
	func(socket int, frame []byte) error { return unix.Sendmsg(socket, frame, nil, nil, 0) },
	func(socket int, frame []byte) error {
		vector := unix.Iovec{Base: &frame[0]}
		vector.SetLen(len(frame))
		message := unix.Mmsghdr{}
		message.Hdr.Iov = &vector
		message.Hdr.SetIovlen(1)
		_, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, uintptr(socket), uintptr(unsafe.Pointer(&message)), 1, 0, 0, 0)
		return told(errno)
	},
	func(socket int, frame []byte) error {
		file, err := unix.MemfdCreate("frame", 0)
		if err != nil {
			return err
		}
		defer unix.Close(file)
		if _, err := unix.Write(file, frame); err != nil {
			return err
		}
		return of(unix.Sendfile(socket, file, new(int64), len(frame)))
	},
	func(socket int, frame []byte) error {
		var pipe [2]int
		if err := unix.Pipe(pipe[:]); err != nil {
			return err
		}
		defer unix.Close(pipe[0])
		defer unix.Close(pipe[1])
		if _, err := unix.Write(pipe[1], frame); err != nil {
			return err
		}
		_, err := unix.Splice(pipe[0], nil, socket, nil, len(frame), 0)
		return err
	},
	func(socket int, frame []byte) error {
		other, err := unix.FcntlInt(uintptr(socket), unix.F_DUPFD_CLOEXEC, 100)
		if err != nil {
			return err
		}
		defer unix.Close(other)
		return of(unix.Write(other, frame))
	},
	func(socket int, frame []byte) error {
		if err := unix.Dup3(socket, 99, unix.O_CLOEXEC); err != nil {
			return err
		}
		defer unix.Close(99)
		return of(unix.Write(99, frame))
	},
	func(int, []byte) error {
		packets, err := unix.Socket(unix.AF_PACKET, unix.SOCK_RAW|unix.SOCK_CLOEXEC, 0)
		if err != nil {
			return err
		}
		defer unix.Close(packets)
		return of(unix.Write(packets, []byte{0}))
	},
	func(int, []byte) error {
		var parameters [120]byte // struct io_uring_params
		_, _, errno := unix.Syscall(unix.SYS_IO_URING_SETUP, 1, uintptr(unsafe.Pointer(&parameters[0])), 0)
		return told(errno)
	},
}

// waysNamed are the system calls by which it sends.
var waysNamed = []string{"write", "writev", "pwrite64", "pwritev", "pwritev2", "sendto", "sendmsg", "sendmmsg", "sendfile", "splice",
	"write", "write", "write", "io_uring_setup"}

func of(_ int, err error) error { return err }

func told(errno syscall.Errno) error {
	if errno != 0 {
		return errno
	}
	return nil
}

// walled takes CAN sockets from a program, as the wall of a container does: each socket of that family is
// refused with the error whose number comes first; the rest is the program's own command line.
func walled(args []string) int {
	errno, err := strconv.Atoi(args[0])
	if err != nil {
		return exitFailed
	}
	runtime.LockOSThread() // the wall is around this thread, and what it becomes
	if err := wall(uint32(errno)); err != nil {
		fmt.Println(err)
		return exitFailed
	}
	fmt.Println(syscall.Exec("/proc/self/exe", append([]string{"ridewitness"}, args[1:]...), os.Environ()))
	return exitFailed
}

// wall installs a filter of system calls (seccomp(2)): socket of the family AF_CAN fails.
func wall(errno uint32) error {
	const number, family = 0, 16 // offsets in struct seccomp_data
	load := func(at uint32) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: at}
	}
	unless := func(value uint32, skip uint8) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, K: value, Jf: skip}
	}
	end := func(action uint32) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: action}
	}
	filter := []unix.SockFilter{
		load(number), unless(unix.SYS_SOCKET, 3),
		load(family), unless(unix.AF_CAN, 1),
		end(unix.SECCOMP_RET_ERRNO | errno),
		end(unix.SECCOMP_RET_ALLOW),
	}
	program := unix.SockFprog{Len: uint16(len(filter)), Filter: &filter[0]}
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return err
	}
	return unix.Prctl(unix.PR_SET_SECCOMP, unix.SECCOMP_MODE_FILTER, uintptr(unsafe.Pointer(&program)), 0, 0)
}
