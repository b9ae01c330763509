package review

import "io"

// Format is a form in which a review is written.
type Format struct {
	Name  string
	Doc   string // one line for help texts
	Write func(io.Writer, *Review) error
}

// Formats lists them, the default first. To add one, write its file and name it here.
var Formats = []Format{textFormat, jsonFormat, htmlFormat}

// FormatByName returns the format of that name.
func FormatByName(name string) (Format, bool) {
	for _, f := range Formats {
		if f.Name == name {
			return f, true
		}
	}
	return Format{}, false
}
