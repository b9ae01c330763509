package classroom

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// quiet is the empty margin of a QR code, in modules (ISO/IEC 18004).
const quiet = 4

// square is a QR code as one SVG path over a square of Size modules.
type square struct {
	Size int
	Path string
}

// drawSquare draws a text as a QR code with error correction M (15 %): a projector blurs, but loses
// nothing.
func drawSquare(text string) (square, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return square{}, fmt.Errorf("square code of %q: %w", text, err)
	}
	var path strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			from := x
			for x < code.Size && code.Black(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
			}
		}
	}
	return square{code.Size + 2*quiet, path.String()}, nil
}
