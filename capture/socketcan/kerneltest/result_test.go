//go:build linux

package kerneltest

import (
	"bytes"
	"os/exec"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestResults(t *testing.T) {
	found := results("junk\r\n" +
		"=== RUN   TestKernelA\r\n" +
		"=== RUN   TestKernelA/part\r\n" +
		"    a_test.go:1: words\r\n" +
		"--- PASS: TestKernelA (0.01s)\r\n" +
		"    --- PASS: TestKernelA/part (0.00s)\r\n" +
		"=== RUN   TestKernelB\r\n" +
		"    b_test.go:2: got 1, want 2\r\n" +
		"--- FAIL: TestKernelB (1.00s)\r\n" +
		"=== RUN   TestKernelC\r\n" +
		"panic: out of it\r\n")
	require.Len(t, found, 2)
	require.Equal(t, "PASS", found["TestKernelA"].verdict)
	require.Contains(t, found["TestKernelA"].text, "a_test.go:1: words")
	require.NotContains(t, found["TestKernelA"].text, "junk")
	require.Equal(t, "FAIL", found["TestKernelB"].verdict)
	require.NotContains(t, found["TestKernelB"].text, "words")
	require.NotContains(t, found, "TestKernelC", "it never ended")
}

func TestArgumentsKeepOnlyKernelTests(t *testing.T) {
	for selected, want := range map[string]string{
		"":                  "-test.run=^TestKernel",
		"TestOther":         "-test.run=^TestKernel",
		"TestKernelA":       "-test.run=TestKernelA",
		"^TestKernelA$":     "-test.run=^TestKernelA$",
		"^TestKernel(A|B)$": "-test.run=^TestKernel(A|B)$",
	} {
		require.Contains(t, arguments(selected, prefix), want, "-run %q", selected)
	}
}

func TestArgumentsForTheMachineOnly(t *testing.T) {
	require.Contains(t, arguments("TestKernelA", machinePrefix), "-test.run=^TestKernelMachine")
	require.Contains(t, arguments("TestKernelMachineA", machinePrefix), "-test.run=TestKernelMachineA")
}

// What another program for the same format reads is what was written.
func TestArchiveIsReadByCpio(t *testing.T) {
	cpio, err := exec.LookPath("cpio")
	if err != nil {
		t.Skip("cpio is not installed")
	}
	var a archive
	a.folder("one")
	a.file("one/two", []byte("seven b"))
	a.file("three", nil)
	a.end()
	folder := t.TempDir()
	cmd := exec.CommandContext(t.Context(), cpio, "--extract", "--quiet", "-v")
	cmd.Dir = folder
	cmd.Stdin = bytes.NewReader(a.Bytes())
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", said)
	require.Equal(t, "one\none/two\nthree\n", string(said))
	body, err := exec.CommandContext(t.Context(), "cat", folder+"/one/two").Output()
	require.NoError(t, err)
	require.Equal(t, "seven b", string(body))
}

func TestArgumentsAreShortInsideToo(t *testing.T) {
	require.Equal(t, testing.Short(), slices.Contains(arguments("", prefix), "-test.short=true"))
}
