//go:build linux

package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/host"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// smallDisk is a disk of 24 MB.
func smallDisk(t *testing.T) (folder string) {
	t.Helper()
	folder = t.TempDir()
	require.NoError(t, unix.Mount("tmpfs", folder, "tmpfs", 0, "size=24m"))
	t.Cleanup(func() { require.NoError(t, unix.Unmount(folder, 0)) })
	return folder
}

// ballast takes room away until free bytes are left, and returns how to give it back.
func ballast(t *testing.T, folder string, free uint64) (drop func()) {
	t.Helper()
	disk, err := host.DiskAt(folder)
	require.NoError(t, err)
	require.Greater(t, disk.Free, free)
	f, err := os.Create(filepath.Join(folder, "ballast"))
	require.NoError(t, err)
	require.NoError(t, unix.Fallocate(int(f.Fd()), 0, 0, int64(disk.Free-free)))
	require.NoError(t, f.Close())
	return func() { require.NoError(t, os.Remove(f.Name())) }
}

// The disk fills: the file ends in good order with room left for it, the lines say that nothing is written
// and why, and once there is room another file goes on. Every frame that was sent is in a file, once, or
// counted as lost.
func TestKernelMachineRecordDiskFull(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		folder := smallDisk(t)
		drop := ballast(t, folder, leastRoom+1<<19)
		names := []string{filepath.Join(folder, "job.pcapng"), filepath.Join(folder, "job-2.pcapng"), filepath.Join(folder, "job-3.pcapng")}
		n := numbersOn(t, "vcan0")
		p := begin(t, append(oneCorner(t), "vcan0", "--output", names[0])...)
		p.says(1, "state ")

		full := regexp.MustCompile(`disk NOTHING IS WRITTEN, last \S+ s ago: ` + folder + ` is full: \d MB are left\n`)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		isFull := func(after string) bool { return full.MatchString(p.told()[len(after):]) }
		for !isFull("") { // 512 KB are full after some 9000
			require.Less(t, n.count(), 50_000, p.told())
			n.some(t, 100)
			<-tick.C
		}
		require.Equal(t, session.Sealed, holds(t, names[0]).integrity.Verdict, "it has ended in good order, and the recorder goes on")
		disk, err := host.DiskAt(folder)
		require.NoError(t, err)
		require.Greater(t, disk.Free, uint64(leastRoom/2), "room was left for its end")

		n.some(t, 5000) // they wait in memory
		drop()
		p.says(1, "disk the recording goes on in "+names[1])
		n.some(t, 5000)
		before := p.told()
		drop = ballast(t, folder, leastRoom/2)
		p.until("full again", func() bool { return isFull(before) })
		p.signal(unix.SIGSTOP) // whatever holds it up, the socket takes some 40,000 frames meanwhile
		n.some(t, 50_000)
		p.signal(unix.SIGCONT)
		drop()
		p.says(1, "disk the recording goes on in "+names[2])
		n.some(t, 100)
		require.Equal(t, exitDone, p.stop(), p.complained())

		var all []uint64
		lost := int64(0)
		for _, name := range names {
			k := holds(t, name)
			require.Equal(t, session.Sealed, k.integrity.Verdict, "%s: %s", name, k.integrity.Why)
			all = append(all, k.numbers["vcan0"]...)
			lost += k.lost["vcan0"]
			require.Equal(t, int64(len(k.numbers["vcan0"]))+k.lost["vcan0"], k.received["vcan0"], name)
			require.EqualValues(t, k.lost["vcan0"], k.told["vcan0"], name)
		}
		require.True(t, slices.IsSorted(all))
		require.Len(t, slices.Compact(slices.Clone(all)), len(all), "each once")
		sent := n.count()
		require.Equal(t, sent, len(all)+int(lost), "sent = kept + lost")
		require.NotZero(t, lost, "nobody was there to take them")
		t.Logf("%d frames sent, %d kept in three files, %d lost and told", sent, len(all), lost)
		for _, name := range names {
			require.Contains(t, p.told(), "recorded: "+name+"\n")
		}
	})
}
