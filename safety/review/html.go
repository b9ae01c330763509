package review

import "io"

var htmlFormat = Format{Name: "html", Doc: "For people, one file that prints well", Write: writeHTML}

func writeHTML(w io.Writer, r *Review) error { return nil }
