package sourcetest

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// Lines returns a batch in which bus 0 is can0 and the lines are its frames, step nanoseconds apart:
// '7E8 03 41 0D 32'. Identifiers of more than three digits are extended. A line 'lost' says that frames
// are missing there, a line 'damage' that something could not be read.
func Lines(t testing.TB, step capture.Stamp, lines ...string) *capture.Batch {
	t.Helper()
	b := capture.NewBatch()
	b.Events = append(b.Events, capture.Event{Kind: capture.EventBus, Name: "can0"})
	for i, line := range lines {
		switch line {
		case "lost":
			b.Events = append(b.Events, capture.Event{Kind: capture.EventLoss, Index: len(b.Frames), Count: 1})
			continue
		case "damage":
			b.Events = append(b.Events, capture.Event{Kind: capture.EventDamage, Index: len(b.Frames), Err: errors.New("a hole in the file")})
			continue
		}
		parts := strings.Fields(line)
		f := capture.Frame{At: capture.Stamp(i) * step, Packet: uint64(len(b.Frames) + 1), Len: uint8(len(parts) - 1)}
		_, err := fmt.Sscanf(parts[0], "%X", &f.ID)
		require.NoError(t, err, line)
		if len(parts[0]) > 3 {
			f.Flags = capture.Extended
		}
		for k, digits := range parts[1:] {
			_, err := fmt.Sscanf(digits, "%X", &f.Data[k])
			require.NoError(t, err, line)
		}
		b.Frames = append(b.Frames, f)
	}
	return b
}
