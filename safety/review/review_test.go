package review

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sessions are the reviews that every format is tried on.
var sessions = []struct {
	name   string
	review func() *Review
}{
	{"early-lowering", earlyLowering},
	{"proper-job", properJob},
	{"blind", blind},
}

// write returns what the format makes of r.
func write(t testing.TB, format string, r *Review) string {
	t.Helper()
	f, ok := FormatByName(format)
	require.True(t, ok, format)
	var b bytes.Buffer
	require.NoError(t, f.Write(&b, r))
	return b.String()
}

func TestFormatsMatchTheirGoldenFiles(t *testing.T) {
	for _, s := range sessions {
		for _, f := range Formats {
			t.Run(s.name+"/"+f.Name, func(t *testing.T) { golden(t, s.name+"."+f.Name, write(t, f.Name, s.review())) })
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o777))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o666))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}
