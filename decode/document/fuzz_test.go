package document_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// FuzzParse: any text is a document that can be walked to its end, or is refused with a place
// inside it.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"version: 1\n", "a: {b: [1, 0x2, 2.5, off, '3', 98 cm2]}\n", "a: &x 1\nb: *x\n", "- - - 1\n", "? [a]\n: b\n", "a: |\n  text\n",
		"a:\n  - b: 1\n   c: 2\n", "at: 2026-03-02T09:14:05Z\n", "a: [1\nb: 2\n", "---\n...\n---\n", "a: 'b\n", "\t", "<<: {a: 1}\n", "%YAML 1.2\n---\na: 1\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := document.Parse("f.yaml", text)
		if err == nil {
			walk(d.Root())
			err = d.Err()
		}
		if err == nil {
			return
		}
		var e *document.Error
		require.True(t, errors.As(err, &e), "%v", err)
		require.Positive(t, e.Line)
		require.Positive(t, e.Column)
		require.NotEmpty(t, e.Problem)
	})
}

// walk reads each node in every way there is.
func walk(n document.Node) {
	n.Text()
	n.Word("off", "on")
	n.Uint(0, 1000)
	n.Number()
	n.Bool()
	n.Quantity(quantity.Millimetre)
	n.Time()
	if items, ok := n.List("a list"); ok {
		for _, item := range items {
			walk(item)
		}
	}
	if pairs, ok := n.Pairs("a map"); ok {
		for _, p := range pairs {
			walk(p.Value)
		}
	}
	n.Map("version", "signals")
}
