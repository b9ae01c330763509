//go:build linux && amd64

package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// refusal is a command line of `record` that must be refused with a sentence and a hint.
type refusal struct {
	name, says, hint string
	args             []string
	walled           unix.Errno // CAN sockets are refused with it
	user             uint32     // 0: this one
}

// refused runs it, and requires that nothing was begun.
func refused(t *testing.T, r refusal) {
	t.Helper()
	cmd := program(t, "ridewitness", append([]string{"record"}, r.args...)...)
	if r.walled != 0 {
		cmd = program(t, "walled", append([]string{fmt.Sprint(int(r.walled)), "record"}, r.args...)...)
	}
	p := &process{Cmd: cmd, t: t}
	if r.user != 0 {
		p.as(r.user)
	}
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	_ = cmd.Run() // how it ended is in ProcessState
	require.Equal(t, exitUsage, cmd.ProcessState.ExitCode(), "%s%s", &out, &errs)
	require.Empty(t, out.String())
	says := "ridewitness: " + r.says + "\n"
	if r.hint != "" {
		says += "hint: " + r.hint + "\n"
	}
	before, found := strings.CutSuffix(errs.String(), says)
	require.True(t, found, "it says\n%s\nand not\n%s", &errs, says)
	if r.user == 0 { // one without a privilege is told of his small buffer first
		require.Empty(t, before)
	}
}

// What can't be recorded is refused before anything is written, with what to do about it.
func TestKernelMachineRecordRefuses(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		kerneltest.SetDown(t, "vcan1")
		kerneltest.AddLink(t, "can7", "dummy")
		folder := t.TempDir()
		in := func(name string) string { return filepath.Join(folder, name) }
		require.NoError(t, os.WriteFile(in("there.pcapng"), []byte("somebody's"), 0o644))
		running := begin(t, "vcan0", "--output", in("running.pcapng"))
		running.says(1, "state ")

		const look = "'ridewitness prepare' lists the links"
		const mayYou = "is the folder there, and may you write into it?"
		const another = "give another name; nothing is ever written over a file"
		for _, r := range []refusal{
			{name: "no bus", args: []string{}, says: "no bus is named", hint: "such as 'ridewitness record can0'; " + look},
			{name: "no such link", args: []string{"can0"}, says: "can0: no such link", hint: look},
			{name: "one of two is not there", args: []string{"vcan0", "can0"}, says: "can0: no such link", hint: look},
			{name: "down", args: []string{"vcan1"}, says: "vcan1: the link is down", hint: "bring it up with: ip link set vcan1 up"},
			{name: "not CAN, whatever its name", args: []string{"can7"}, says: "can7: not a CAN link: its kind is dummy", hint: look},
			{name: "the loopback", args: []string{"lo"}, says: "lo: not a CAN link", hint: look},
			{name: "named twice", args: []string{"vcan0", "vcan0"}, says: "vcan0: named twice", hint: "name each bus once"},
			{name: "a file is there", args: []string{"vcan0", "--output", in("there.pcapng")}, says: in("there.pcapng") + " exists already", hint: another},
			{name: "two recorders, one file", args: []string{"vcan0", "--output", in("running.pcapng")}, says: in("running.pcapng") + " exists already", hint: another},
			{name: "goes on with what is being recorded", args: []string{"vcan0", "--continue", in("running.pcapng")},
				says: in("running.pcapng") + ": byte 0: file: somebody else is writing to it", hint: "wait until its recorder has ended, or give another name"},
			{name: "goes on with what is not there", args: []string{"vcan0", "--continue", in("none.pcapng")}, says: in("none.pcapng") + ": no such file or directory"},
			{name: "no such folder", args: []string{"vcan0", "--output", in("no/such.pcapng")}, says: in("no/such.pcapng") + " can't be written: no such file or directory", hint: mayYou},
			{name: "no folder", args: []string{"vcan0", "--output", in("there.pcapng/x.pcapng")}, says: in("there.pcapng/x.pcapng") + " can't be written: " + in("there.pcapng") + " is no folder", hint: mayYou},
			{name: "somebody else's folder", user: nobody, args: []string{"vcan0", "--output", in("mine.pcapng")}, says: in("mine.pcapng") + " can't be written: permission denied", hint: mayYou},
			{name: "a wall around CAN sockets", walled: unix.EPERM, args: []string{"vcan0", "--output", in("walled.pcapng")},
				says: "vcan0: not permitted to open a CAN socket: operation not permitted",
				hint: "the kernel asks for no capability here (only for a large buffer, cap_net_admin), so a container or a sandbox forbids it"},
			{name: "a kernel without CAN", walled: unix.EAFNOSUPPORT, args: []string{"vcan0", "--output", in("walled.pcapng")},
				says: "vcan0: this kernel has no CAN sockets: address family not supported by protocol", hint: "load it with: modprobe can-raw"},
		} {
			t.Run(r.name, func(t *testing.T) { refused(t, r) })
		}

		require.Equal(t, exitDone, running.stop(), running.complained())
		require.Equal(t, session.Sealed, holds(t, in("running.pcapng")).integrity.Verdict, "nobody has touched it")
		left, err := os.ReadFile(in("there.pcapng"))
		require.NoError(t, err)
		require.Equal(t, "somebody's", string(left))
		names, err := os.ReadDir(folder)
		require.NoError(t, err)
		require.Len(t, names, 2, "nothing was begun")
	})
}

// A machine whose clock nobody has set records nothing that could be taken for evidence, and one that was
// set back does not go on with what lies ahead.
func TestKernelMachineRecordRefusesAClock(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		folder := t.TempDir()
		file := filepath.Join(folder, "job.pcapng")
		p := begin(t, "vcan0", "--output", file)
		p.says(1, "state ")
		require.Equal(t, exitDone, p.stop(), p.complained())
		whole, err := os.ReadFile(file)
		require.NoError(t, err)

		now := time.Now() // it knows how much time goes by, whatever the clock says
		t.Cleanup(func() { setClock(t, now.Add(time.Since(now))) })
		setClock(t, time.Unix(80_000, 0)) // a clock can't be set back to before its machine has started
		refused(t, refusal{args: []string{"vcan0", "--output", filepath.Join(folder, "old.pcapng")},
			says: "the clock of this computer says 1970-01-01", hint: "set it; without it no time in the session means anything"})

		setClock(t, now.Add(-time.Hour))
		cmd := program(t, "ridewitness", "record", "vcan0", "--continue", file)
		said, err := cmd.CombinedOutput()
		require.Error(t, err)
		require.Equal(t, exitUsage, cmd.ProcessState.ExitCode())
		require.Regexp(t, `^ridewitness: it is \S+Z, and `+file+` ends at \S+Z: what goes on with it would lie before its end\nhint: set the clock, or begin a new session\n$`, string(said))
		after, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, whole, after)
	})
}
