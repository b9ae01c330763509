package review

import "io"

// WriteCompareHTML writes a comparison as one page.
func WriteCompareHTML(w io.Writer, c *Comparison) error { return nil }
