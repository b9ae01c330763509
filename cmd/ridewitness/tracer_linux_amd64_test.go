package main

import (
	"errors"
	"maps"
	"os/exec"
	"runtime"
	"slices"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// tracer follows a program and all its threads from its first instruction on, and looks at every system
// call that they make (ptrace(2)). It knows which descriptors are sockets from which frames could go out.
type tracer struct {
	sockets  map[uint64]int  // how many of each family were opened
	bus      map[int32]bool  // descriptors of CAN sockets, and of those that reach any link
	asked    map[string]int  // what was asked of these, by name
	sends    []string        // by what something was sent on them, or could be without being seen
	begun    map[int]sysCall // what each thread is in the midst of
	children int             // programs that it started
}

// sysCall is struct ptrace_syscall_info, at the entry of a call or at its end.
type sysCall struct {
	op     uint8
	_      [3]uint8
	arch   uint32
	_, _   uint64    // where the thread is
	number uint64    // at the end: the result
	args   [6]uint64 // at the end the first byte says that the result is an error
}

// Values of its field op.
const (
	entry = 1
	atEnd = 2
)

// native is the kind of system calls that a 64-bit program makes (linux/audit.h). Others have other numbers.
const native = unix.AUDIT_ARCH_X86_64

// sending are the calls that send, and which argument is the descriptor on which.
var sending = map[uint64]struct {
	name string
	on   int
}{
	unix.SYS_WRITE: {"write", 0}, unix.SYS_WRITEV: {"writev", 0}, unix.SYS_PWRITE64: {"pwrite64", 0}, unix.SYS_PWRITEV: {"pwritev", 0},
	unix.SYS_PWRITEV2: {"pwritev2", 0}, unix.SYS_SENDTO: {"sendto", 0}, unix.SYS_SENDMSG: {"sendmsg", 0}, unix.SYS_SENDMMSG: {"sendmmsg", 0},
	unix.SYS_SENDFILE: {"sendfile", 0}, unix.SYS_SPLICE: {"splice", 2}, unix.SYS_TEE: {"tee", 1}, unix.SYS_VMSPLICE: {"vmsplice", 0},
}

// unseen are calls behind which a tracer could not see what is sent.
var unseen = map[uint64]string{unix.SYS_IO_URING_SETUP: "io_uring_setup", unix.SYS_PIDFD_GETFD: "pidfd_getfd", unix.SYS_IO_SETUP: "io_setup"}

// asking are the other calls whose first argument is a descriptor of a socket.
var asking = map[uint64]string{
	unix.SYS_BIND: "bind", unix.SYS_CONNECT: "connect", unix.SYS_SETSOCKOPT: "setsockopt", unix.SYS_GETSOCKOPT: "getsockopt", unix.SYS_IOCTL: "ioctl",
	unix.SYS_RECVMMSG: "recvmmsg", unix.SYS_RECVMSG: "recvmsg", unix.SYS_RECVFROM: "recvfrom", unix.SYS_READ: "read", unix.SYS_READV: "readv",
}

func newTracer() *tracer {
	return &tracer{sockets: map[uint64]int{}, bus: map[int32]bool{}, asked: map[string]int{}, begun: map[int]sysCall{}}
}

// families returns those of all sockets, in their order.
func (tr *tracer) families() []uint64 { return slices.Sorted(maps.Keys(tr.sockets)) }

// asks returns what was asked of CAN sockets, in the order of the alphabet.
func (tr *tracer) asks() []string { return slices.Sorted(maps.Keys(tr.asked)) }

// run starts a program and follows it to its end; its exit status is sent to exit, or what went wrong. A
// tracer is a thread: everything is done in this one.
func (tr *tracer) run(cmd *exec.Cmd, started chan<- error) (exit int, err error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd.SysProcAttr = &syscall.SysProcAttr{Ptrace: true}
	err = cmd.Start()
	started <- err
	if err != nil {
		return 0, err
	}
	pid := cmd.Process.Pid
	var status unix.WaitStatus
	if _, err := wait(pid, &status); err != nil {
		return 0, err
	}
	const follow = unix.PTRACE_O_TRACECLONE | unix.PTRACE_O_TRACEFORK | unix.PTRACE_O_TRACEVFORK | unix.PTRACE_O_TRACEEXEC
	if err := unix.PtraceSetOptions(pid, follow|unix.PTRACE_O_TRACESYSGOOD|unix.PTRACE_O_EXITKILL); err != nil {
		return 0, err
	}
	if err := unix.PtraceSyscall(pid, 0); err != nil {
		return 0, err
	}
	return tr.follow(pid)
}

// wait waits for a thread of this thread's, -1 is any.
func wait(pid int, status *unix.WaitStatus) (int, error) {
	for {
		got, err := unix.Wait4(pid, status, unix.WALL|unix.WNOTHREAD, nil)
		if !errors.Is(err, unix.EINTR) {
			return got, err
		}
	}
}

// follow lets the threads of a program run from one call to the next until all have ended.
func (tr *tracer) follow(pid int) (exit int, err error) {
	known := map[int]bool{pid: true}
	for {
		var status unix.WaitStatus
		thread, err := wait(-1, &status)
		if errors.Is(err, unix.ECHILD) {
			return exit, nil
		}
		if err != nil {
			return exit, err
		}
		if !status.Stopped() {
			if thread == pid {
				exit = status.ExitStatus()
			}
			continue
		}
		pass, err := tr.stopped(thread, status, known)
		if err == nil {
			err = unix.PtraceSyscall(thread, pass)
		}
		if err != nil && !errors.Is(err, unix.ESRCH) { // a thread that was killed while it stood
			return exit, err
		}
	}
}

// stopped looks at why a thread stands, and returns the signal that it gets.
func (tr *tracer) stopped(thread int, status unix.WaitStatus, known map[int]bool) (pass int, err error) {
	const atCall = unix.SIGTRAP | 0x80
	switch sig := status.StopSignal(); {
	case sig == atCall:
		return 0, tr.call(thread)
	case status.TrapCause() > 0:
		if status.TrapCause() != unix.PTRACE_EVENT_CLONE {
			tr.children++
		}
		return 0, nil
	case sig == unix.SIGSTOP && !known[thread]:
		known[thread] = true // so a new thread begins
		return 0, nil
	default:
		return int(sig), nil
	}
}

// call looks at a system call that begins or ends.
func (tr *tracer) call(thread int) error {
	var c sysCall
	_, _, errno := unix.Syscall6(unix.SYS_PTRACE, unix.PTRACE_GET_SYSCALL_INFO, uintptr(thread), unsafe.Sizeof(c), uintptr(unsafe.Pointer(&c)), 0, 0)
	if errno != 0 {
		return errno
	}
	switch c.op {
	case entry:
		if c.arch != native {
			tr.sends = append(tr.sends, "a call of another kind of program")
		}
		tr.begun[thread] = c
		tr.begins(&c)
	case atEnd:
		if begun, ok := tr.begun[thread]; ok && uint8(c.args[0]) == 0 {
			tr.ends(&begun, c.number)
		}
		delete(tr.begun, thread)
	}
	return nil
}

func (tr *tracer) begins(c *sysCall) {
	if name := unseen[c.number]; name != "" {
		tr.sends = append(tr.sends, name)
	}
	if s, ok := sending[c.number]; ok && tr.bus[int32(c.args[s.on])] {
		tr.sends = append(tr.sends, s.name)
	}
	if name := asking[c.number]; name != "" && tr.bus[int32(c.args[0])] {
		tr.asked[name]++
	}
	if c.number == unix.SYS_CLOSE {
		delete(tr.bus, int32(c.args[0]))
	}
}

// ends takes the result of a call that went well.
func (tr *tracer) ends(c *sysCall, result uint64) {
	switch c.number {
	case unix.SYS_SOCKET:
		tr.sockets[c.args[0]]++
		if c.args[0] == unix.AF_CAN || c.args[0] == unix.AF_PACKET {
			tr.bus[int32(result)] = true
		}
	case unix.SYS_DUP, unix.SYS_DUP2, unix.SYS_DUP3:
		tr.doubled(c, result)
	case unix.SYS_FCNTL:
		if c.args[1] == unix.F_DUPFD || c.args[1] == unix.F_DUPFD_CLOEXEC {
			tr.doubled(c, result)
		}
	}
}

// doubled follows a descriptor that stands for another one.
func (tr *tracer) doubled(c *sysCall, result uint64) {
	if tr.bus[int32(c.args[0])] {
		tr.bus[int32(result)] = true
	} else {
		delete(tr.bus, int32(result))
	}
}
