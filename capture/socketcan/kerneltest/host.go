//go:build linux

package kerneltest

import (
	"context"
	"os"
	"os/exec"
	"runtime"
	"syscall"

	"golang.org/x/sys/unix"
)

// hostHasCAN reports whether this process may make a virtual CAN link in a network of its own. The
// thread that tries is thrown away, and its network with it: a goroutine that ends while locked to
// its thread takes the thread along.
func hostHasCAN() bool {
	answer := make(chan bool)
	go func() {
		runtime.LockOSThread()
		answer <- unix.Unshare(unix.CLONE_NEWNET) == nil && addLink("probe", "vcan") == nil
	}()
	return <-answer
}

// runOnHost runs the binary in a network of its own, so that it meets no link of the host.
func runOnHost(ctx context.Context, arguments []string) *outcome {
	binary, err := os.Executable()
	if err != nil {
		return &outcome{absent: err.Error()}
	}
	cmd := exec.CommandContext(ctx, binary, arguments...)
	cmd.Env = append(os.Environ(), environment...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET}
	output, err := cmd.CombinedOutput()
	run := &outcome{where: "the host's kernel", results: results(string(output)), tail: tail(string(output))}
	if err != nil {
		run.problem = err.Error()
	}
	return run
}
