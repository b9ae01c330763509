package terminal

import (
	"strings"

	"golang.org/x/text/width"
)

// Style is how a cell looks. Each style but the colours of the bars has a second sign beside it: a
// word, `!!`, a place.
type Style uint8

const (
	Plain   Style = iota
	Dim           // calm, or second text
	Bold          // a word that matters
	Reverse       // not calm: stale, blind, a warning on a terminal without colour
	Alarm         // DANGER: white on red, bold; reverse and bold without colour
	Air           // pressure
	Body          // height
)

// cell is one place of the terminal. The rune 0 is the second half of a wide one.
type cell struct {
	r rune
	s Style
}

// Picture is a screen full of cells. Nothing can be written outside it.
type Picture struct {
	width, height int
	cells         []cell
}

func newPicture(width, height int) *Picture {
	p := &Picture{width: width, height: height, cells: make([]cell, width*height)}
	for i := range p.cells {
		p.cells[i].r = ' '
	}
	return p
}

func (p *Picture) row(y int) []cell { return p.cells[y*p.width : (y+1)*p.width] }

// put writes text at a place and returns the column after it. What does not fit is left out.
func (p *Picture) put(x, y int, s Style, text string) int {
	if y < 0 || y >= p.height {
		return x
	}
	row := p.row(y)
	for _, r := range text {
		n := runeCells(r)
		if x < 0 || x+n > p.width {
			return x
		}
		row[x] = cell{r, s}
		if n == 2 {
			row[x+1] = cell{0, s}
		}
		x += n
	}
	return x
}

// fill writes one rune from x up to `to`.
func (p *Picture) fill(x, to, y int, s Style, r rune) {
	for ; x < to; x++ {
		p.put(x, y, s, string(r))
	}
}

// right writes text so that it ends before column `to`.
func (p *Picture) right(to, y int, s Style, text string) { p.put(to-cells(text), y, s, text) }

// Text returns the rows without their styles, without blanks at their ends.
func (p *Picture) Text() []string {
	rows := make([]string, p.height)
	for y := range rows {
		rows[y] = strings.TrimRight(plainText(p.row(y)), " ")
	}
	return rows
}

func plainText(row []cell) string {
	var b strings.Builder
	for _, c := range row {
		if c.r != 0 {
			b.WriteRune(c.r)
		}
	}
	return b.String()
}

// ascii replaces what a terminal without UTF-8 can't show.
func (p *Picture) ascii() {
	for i := range p.cells {
		c := &p.cells[i]
		switch {
		case c.r < 0x80:
			if c.r == 0 {
				c.r = ' '
			}
		case c.r == '━':
			c.r = '='
		case c.r == '─':
			c.r = '-'
		case c.r == '│' || c.r == '┃':
			c.r = '|'
		case c.r >= '─' && c.r <= '╿': // corners of frames
			c.r = '+'
		case c.r == '█':
			c.r = '#'
		case c.r >= '▁' && c.r < '█':
			c.r = ':'
		case c.r == '’' || c.r == '‘':
			c.r = '\''
		case c.r == '“' || c.r == '”':
			c.r = '"'
		case c.r == '·':
			c.r = '.'
		case c.r == '…':
			c.r = '~'
		default:
			c.r = '?'
		}
	}
}

// runeCells returns how many cells a rune takes (Unicode Standard Annex 11: wide ones take two).
func runeCells(r rune) int {
	if r < 0x1100 {
		return 1
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// cells returns how many cells a text takes.
func cells(text string) int {
	n := 0
	for _, r := range text {
		n += runeCells(r)
	}
	return n
}

// cut shortens a text to n cells and marks the cut.
func cut(text string, n int) string {
	if cells(text) <= n {
		return text
	}
	var b strings.Builder
	used := 0
	for _, r := range text {
		if used+runeCells(r) > n-1 {
			break
		}
		b.WriteRune(r)
		used += runeCells(r)
	}
	if n > 0 {
		b.WriteRune('…')
	}
	return b.String()
}

// wrap breaks a text into rows of at most n cells, at blanks where it can; rows after the first
// begin with `indent` blanks.
func wrap(text string, n, indent int) []string {
	if n < indent+2 { // the widest rune takes two cells
		indent = 0
	}
	n = max(n, 2)
	var rows []string
	line, used := "", 0
	for word := range strings.FieldsSeq(text) {
		w := cells(word)
		switch {
		case line != "" && used+1+w <= n:
			line, used = line+" "+word, used+1+w
			continue
		case line != "":
			rows = append(rows, line)
			line, used = strings.Repeat(" ", indent), indent
		}
		for used+w > n { // a word longer than a row is broken
			head := headOf(word, n-used)
			rows = append(rows, line+head)
			word = word[len(head):]
			line, used, w = strings.Repeat(" ", indent), indent, cells(word)
		}
		line, used = line+word, used+w
	}
	if strings.TrimSpace(line) != "" {
		rows = append(rows, line)
	}
	return rows
}

// headOf returns the beginning of a word that takes at most n cells, at least one rune.
func headOf(word string, n int) string {
	used := 0
	for i, r := range word {
		if used += runeCells(r); used > n && i > 0 {
			return word[:i]
		}
	}
	return word
}
