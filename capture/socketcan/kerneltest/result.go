//go:build linux

package kerneltest

import (
	"strings"
)

// result is what one test said.
type result struct {
	verdict string // PASS, FAIL or SKIP
	text    string
}

// results reads what a test binary prints with -test.v. Lines of a test stand between its start and
// its verdict; those of its subtests are indented and so are text.
//
//	=== RUN   TestKernelA
//	    a_test.go:12: words
//	--- PASS: TestKernelA (0.01s)
func results(output string) map[string]result {
	found := make(map[string]result)
	var text strings.Builder
	for line := range strings.Lines(output) {
		line = strings.TrimRight(line, "\r\n")
		if name, starts := strings.CutPrefix(line, "=== RUN   "); starts && !strings.Contains(name, "/") {
			text.Reset()
		}
		text.WriteString(line)
		text.WriteByte('\n')
		words := strings.Fields(line)
		if strings.HasPrefix(line, "--- ") && len(words) >= 3 {
			found[words[2]] = result{verdict: strings.TrimSuffix(words[1], ":"), text: text.String()}
		}
	}
	return found
}

// tail returns the last part of what was printed, to explain a run that broke off.
func tail(output string) string {
	const most = 4000
	if len(output) > most {
		output = output[len(output)-most:]
	}
	return output
}
