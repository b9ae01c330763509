//go:build linux

package kerneltest

import (
	"context"
	"flag"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
)

// insideVariable tells the test binary that it runs on the kernel it wanted.
const insideVariable = "RIDEWITNESS_INSIDE_KERNEL"

// environment is what the binary inside gets. The kernel's transport sockets give up a transfer when
// their process gets a signal, and the Go runtime sends itself signals to interrupt long loops.
var environment = []string{insideVariable + "=1", "GODEBUG=asyncpreemptoff=1"}

// requireVariable turns the skip of a test into a failure.
const requireVariable = "RIDEWITNESS_REQUIRE"

// How the names of the tests begin that need such a kernel, and of those that need the machine even
// where the host has one: they set the clock, or need links that no network of its own can have.
const (
	prefix        = "TestKernel"
	machinePrefix = "TestKernelMachine"
)

// limit is how long all tests of a package may take, with the boot: less than the ten minutes that
// go test allows, so that what was said until then is shown.
const limit = 9 * time.Minute

// Inside reports whether this process runs on a kernel with a CAN stack, in a network of its own.
func Inside() bool { return os.Getenv(insideVariable) != "" }

// Run runs body on a kernel with a CAN stack, see the package. The first call of a process runs all
// such tests of the package there that the flag -run selects.
func Run(t *testing.T, body func(t *testing.T)) {
	t.Helper()
	if !strings.HasPrefix(t.Name(), prefix) {
		t.Fatalf("the name of a test that needs a kernel must begin with %s", prefix)
	}
	if Inside() {
		body(t)
		return
	}
	run := nearest()
	if strings.HasPrefix(t.Name(), machinePrefix) {
		run = emulated()
	}
	if run.absent != "" {
		skip(t, run.absent)
		return
	}
	report(t, run)
}

// skip ends a test for which there is no kernel.
func skip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv(requireVariable) == "1" {
		t.Fatalf("%s=1, but %s", requireVariable, why)
	}
	t.Skip(why)
}

// report gives the result that the test had inside.
func report(t *testing.T, run *outcome) {
	t.Helper()
	result, ran := run.results[t.Name()]
	switch {
	case !ran:
		t.Fatalf("no result from inside (%s)\n%s", run.problem, run.tail)
	case result.verdict != "PASS":
		t.Fatalf("%s inside %s\n%s", result.verdict, run.where, result.text)
	default:
		t.Logf("passed inside %s\n%s", run.where, result.text)
	}
}

// outcome is what one run of the binary gave.
type outcome struct {
	absent  string // why there is no kernel to run on
	where   string
	problem string
	tail    string // the last words
	results map[string]result
}

// nearest runs the tests of this package once, on the host's kernel where that can be.
var nearest = sync.OnceValue(func() *outcome {
	if !hostHasCAN() {
		return emulated()
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	return runOnHost(ctx, append(arguments(selected(), prefix), "-test.skip=^"+machinePrefix))
})

// emulated runs them once in the machine: all of them, or those that the host can't run.
var emulated = sync.OnceValue(func() *outcome {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	if hostHasCAN() {
		return runInMachine(ctx, arguments(selected(), machinePrefix))
	}
	return runInMachine(ctx, arguments(selected(), prefix))
})

// selected is the flag -run.
func selected() string { return flag.Lookup("test.run").Value.String() }

// arguments are the flags of the binary inside: the same selection, as long as it is one of tests
// whose names begin so, -short, and the flags that are the tests' own.
func arguments(selected, prefix string) []string {
	if !strings.HasPrefix(strings.TrimPrefix(selected, "^"), prefix) {
		selected = "^" + prefix
	}
	all := []string{"-test.v", "-test.timeout=" + limit.String(), "-test.run=" + selected}
	flag.Visit(func(f *flag.Flag) {
		if f.Name == "test.short" || !strings.HasPrefix(f.Name, "test.") {
			all = append(all, "-"+f.Name+"="+f.Value.String())
		}
	})
	return all
}
