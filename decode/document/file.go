package document

import (
	"errors"
	"io"
	"os"
)

// ReadFile reads a file of at most MaxText bytes; of a longer one it reads one byte more, which
// Parse then refuses. The error names the file.
func ReadFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	// the size is not asked for beforehand: a pipe or a growing file has none to be trusted
	text, err := io.ReadAll(io.LimitReader(f, MaxText+1))
	return text, errors.Join(err, f.Close())
}
