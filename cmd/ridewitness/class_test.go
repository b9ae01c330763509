package main

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestClassServesTheShippedLesson runs the command that a trainer types, on a port that is free, and
// fetches the pages whose addresses it prints.
func TestClassServesTheShippedLesson(t *testing.T) {
	self, err := os.Executable()
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	run := exec.CommandContext(ctx, self, "class", "--lesson", "early", "--port", "0")
	run.Args[0] = "ridewitness" // TestMain goes by it
	run.Dir = t.TempDir()
	run.Stderr = os.Stderr
	out, err := run.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, run.Start())

	address := regexp.MustCompile(`^(trainer|projector) +(http://127\.0\.0\.1:[1-9][0-9]*/\S+)$`)
	pages := map[string]string{}
	lines := bufio.NewScanner(out)
	for len(pages) < 2 && lines.Scan() {
		if m := address.FindStringSubmatch(lines.Text()); m != nil {
			pages[m[1]] = m[2]
		}
	}
	require.Len(t, pages, 2)
	for who, url := range pages {
		answer, err := http.Get(url)
		require.NoError(t, err)
		page, err := io.ReadAll(answer.Body)
		answer.Body.Close()
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, answer.StatusCode, who)
		require.Contains(t, string(page), "<html", who)
		require.Contains(t, answer.Header.Get("Content-Security-Policy"), "default-src 'none'", who)
	}
	stop()
	require.Error(t, run.Wait(), "only somebody who stops it ends a class")
}
