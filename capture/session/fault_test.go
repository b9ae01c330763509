package session

import (
	"bytes"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// faulty is a file in memory whose n-th operation fails, or from the n-th on all of them.
type faulty struct {
	bytes.Buffer
	failAt  int
	forever bool
	done    int
}

var errFull = errors.New("no space left on device")

func (f *faulty) fails() bool {
	f.done++
	return f.done == f.failAt || f.forever && f.done > f.failAt
}

// Write keeps the first half of what it can't write, as a full disk does.
func (f *faulty) Write(b []byte) (int, error) {
	if f.fails() {
		f.Buffer.Write(b[:len(b)/2])
		return len(b) / 2, errFull
	}
	return f.Buffer.Write(b)
}

func (f *faulty) Sync() error {
	if f.fails() {
		return errFull
	}
	return nil
}

func (f *faulty) Truncate(size int64) error {
	if f.fails() {
		return errFull
	}
	f.Buffer.Truncate(int(size))
	return nil
}

// Whatever fails while a section is added, once or for ever: the file is what it was, or the error says
// so and what stands there is no sealed file.
func TestAppendOnFailingDisk(t *testing.T) {
	var d memory
	w, err := NewWriter(&d, 1, SessionRecord{Origin: OriginVehicle})
	require.NoError(t, err)
	require.NoError(t, w.End(2))
	whole := d.Bytes()
	section, err := addedSection(w.Digest(), 2, SessionRecord{}, []Addition{{At: 1, Record: MarkRecord{Kind: KindMark, Name: "bled"}}})
	require.NoError(t, err)

	for _, forever := range []bool{false, true} {
		failed := 0
		for n := 1; ; n++ {
			f := &faulty{failAt: n, forever: forever}
			f.Buffer.Write(whole)
			err := extend(f, int64(len(whole)), section)
			if err == nil {
				require.Equal(t, append(bytes.Clone(whole), section...), f.Bytes())
				break
			}
			failed++
			require.ErrorIs(t, err, errFull)
			if !forever {
				require.Equal(t, whole, f.Bytes())
				continue
			}
			require.True(t, bytes.HasPrefix(f.Bytes(), whole), "nothing that was there is lost")
		}
		require.Equal(t, 2, failed, "the write and the sync")
	}
}

// A section that a power cut tore while it was added leaves a file that says so, at every byte, and
// that mending makes whole again without touching what was there.
func TestAppendTornAtEveryByte(t *testing.T) {
	var d memory
	w, err := NewWriter(&d, 1, SessionRecord{Origin: OriginVehicle})
	require.NoError(t, err)
	require.NoError(t, w.Write(&capture.Batch{Frames: []capture.Frame{{At: 5, ID: 0x4A1, Len: 1}}}))
	require.NoError(t, w.End(6))
	section, err := addedSection(w.Digest(), 6, SessionRecord{}, []Addition{{At: 3, Record: MarkRecord{Kind: KindMark, Name: "bled"}}})
	require.NoError(t, err)
	for n := 1; n < len(section); n++ {
		end, err := readToEnd(bytes.NewReader(append(bytes.Clone(d.Bytes()), section[:n]...)), "torn")
		require.NoError(t, err)
		require.Equal(t, CutShort, end.Verdict, "cut at %d: %s", n, end.Why)
		require.EqualValues(t, d.Len(), end.Proven.Offset, "what was sealed stays proven")
		require.GreaterOrEqual(t, end.Kept.Offset, int64(d.Len()))
		requireMends(t, append(bytes.Clone(d.Bytes()), section[:n]...)[:end.Kept.Offset])
	}
}

// requireMends holds that a section behind what was kept makes a sealed file.
func requireMends(t *testing.T, kept []byte) {
	t.Helper()
	end, err := readToEnd(bytes.NewReader(kept), "kept")
	require.NoError(t, err)
	section, err := addedSection(end.last, end.at, SessionRecord{}, nil)
	require.NoError(t, err)
	end, err = readToEnd(bytes.NewReader(append(bytes.Clone(kept), section...)), "mended")
	require.NoError(t, err)
	require.Equal(t, Sealed, end.Verdict, end.Why)
}
