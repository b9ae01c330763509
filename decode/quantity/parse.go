package quantity

import (
	"math"
	"strconv"
	"strings"
)

// Value is a number with its unit, as somebody wrote it.
type Value struct {
	Number float64
	Unit   Unit
}

// Error says what is wrong with a quantity, in words that follow its text.
type Error struct {
	Text    string // as it was written; empty where two units did not fit
	Problem string // "is a length"
	Want    string // "an area, such as 98 cm2"
}

// Error returns the text, what is wrong with it, and what was expected.
func (e *Error) Error() string {
	s := strconv.Quote(e.Text) + " " + e.Problem
	if e.Want != "" {
		s += ", expected " + e.Want
	}
	return s
}

// maxText is the longest text of a quantity, in bytes. Nobody writes a longer one on a card.
const maxText = 64

// A quantity as text: sign, digits with a point, exponent, at most one space, unit. Case counts, since
// it tells units apart (mm and Mm, s and S).

// Parse reads a number and its unit, one space between them or none: '2.2 L', '98cm2', '0.7'. The
// error is an *Error.
func Parse(text string) (Value, error) {
	number, name := split(text)
	if number == "" || len(text) > maxText {
		return Value{}, &Error{clip(text), "is no number with a unit", "for example 391 mm"}
	}
	// half of the world writes 2,2: it deserves more than an unknown unit
	if strings.HasPrefix(name, ",") {
		return Value{}, &Error{text, "has a comma in its number", "a point: " + strings.Replace(text, ",", ".", 1)}
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) {
		return Value{}, &Error{clip(text), "is out of range", "a number that fits into 64 bits"}
	}
	u, ok := ByName(name)
	if !ok {
		return Value{}, &Error{text, "has the unknown unit " + strconv.Quote(name), "one of " + strings.Join(allNames(), ", ")}
	}
	return Value{v, u}, nil
}

// ParseIn reads a quantity and returns its number in unit to. A text of another dimension, or one
// without unit where to has one, is refused; the error is an *Error.
func ParseIn(text string, to Unit) (float64, error) {
	want := to.Dimension.String() + ", such as " + to.Dimension.Example()
	v, err := Parse(text)
	if err != nil {
		e := err.(*Error)
		e.Want = want
		return 0, e
	}
	switch {
	case v.Unit.Dimension == to.Dimension:
		return finite(v, to, text)
	case v.Unit.Dimension == Number && v.Unit.Name == "":
		return 0, &Error{text, "has no unit", want}
	default:
		return 0, &Error{text, "is " + v.Unit.Dimension.String(), want}
	}
}

// finite converts v and refuses what fits into 64 bits in the one unit and not in the other.
func finite(v Value, to Unit, text string) (float64, error) {
	n, err := v.Unit.In(to, v.Number)
	if math.IsInf(n, 0) {
		return 0, &Error{text, "is out of range", "a number that fits into 64 bits in " + to.Name}
	}
	return n, err
}

// split cuts text behind the longest decimal number at its start. A comma, a hexadecimal number, an
// infinity or a not-a-number is none.
func split(text string) (number, unit string) {
	i := signLength(text)
	digits := digitsLength(text[i:])
	i += digits
	if strings.HasPrefix(text[i:], ".") {
		n := digitsLength(text[i+1:])
		digits += n
		i += 1 + n
	}
	if digits == 0 {
		return "", text
	}
	i += exponentLength(text[i:])
	return text[:i], strings.TrimPrefix(text[i:], " ")
}

// signLength returns how many bytes of s are a sign: 0 or 1.
func signLength(s string) int {
	if strings.HasPrefix(s, "-") || strings.HasPrefix(s, "+") {
		return 1
	}
	return 0
}

// digitsLength returns how many ASCII digits s begins with. Digits of other scripts are none, as
// strconv does not read them either.
func digitsLength(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// exponentLength returns the length of an exponent at the start of s. A lone e is none: it may be the
// first letter of a unit.
func exponentLength(s string) int {
	if s == "" || s[0] != 'e' && s[0] != 'E' {
		return 0
	}
	n := 1 + signLength(s[1:])
	if digits := digitsLength(s[n:]); digits > 0 {
		return n + digits
	}
	return 0
}

// mismatch says that two units measure different things. There is no text to repeat: the caller mixed
// up units, not a user.
func mismatch(u, to Unit) *Error {
	return &Error{u.Name, "is " + u.Dimension.String(), to.Dimension.String()}
}

// allNames lists what Parse takes, for somebody who wrote a unit that it does not.
func allNames() []string {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.Name
	}
	return names
}

// clip keeps an error readable when a whole paragraph stands where a quantity should.
func clip(text string) string {
	if len(text) <= maxText {
		return text
	}
	return strings.ToValidUTF8(text[:maxText], "") + "..."
}
