package document

import (
	"errors"
	"regexp"
	"strings"
	"time"

	"ridewitness/capture"
)

// timeForm is the form of RFC 3339, section 5.6. Lower-case t and z are allowed there, a space between
// day and hour is only "for readability" and is refused, as is a time without offset: nobody could say
// later which clock it came from.
var timeForm = regexp.MustCompile(`^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]([01]\d|2[0-3]):[0-5]\d)$`)

// ParseTime reads a time strictly as RFC 3339 has it. Digits beyond the ninth of a fraction are
// cut. A leap second, which RFC 3339 allows as 23:59:60 UTC, is the second after 23:59:59, as Unix
// time has no other number for it. The form is checked here since time.Parse takes '9:14:05', a
// comma, and an offset of 24 hours.
func ParseTime(text string) (capture.Stamp, error) {
	if !timeForm.MatchString(text) {
		return 0, errors.New("is no time with an offset from UTC (RFC 3339)")
	}
	text = strings.ToUpper(text) // time.Parse knows no lower-case t and z
	leap := text[17:19] == "60"
	if leap {
		text = text[:17] + "59" + text[19:]
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0, errors.New("is no day or hour that there is")
	}
	t = t.UTC()
	if leap {
		// leap seconds are put in at the end of a day in UTC, whatever the offset makes of it
		if t.Hour() != 23 || t.Minute() != 59 {
			return 0, errors.New("has a second 60 that is no leap second")
		}
		t = t.Add(time.Second)
	}
	if t.Year() < firstYear || t.Year() > lastYear {
		return 0, errors.New("lies too far from today")
	}
	return capture.StampOf(t), nil
}

// The years whose times fit into 64 bits of nanoseconds around 1970, whole ones only.
const (
	firstYear = 1678
	lastYear  = 2261
)
