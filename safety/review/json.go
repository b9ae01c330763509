package review

import (
	_ "embed"
	"encoding/json"
	"io"
	"math"
	"slices"
	"strconv"
)

var jsonFormat = Format{Name: "json", Doc: "For scripts: " + Schema + ", stable", Write: writeJSON}

//go:embed schema.json
var schemaDocument []byte

// SchemaDocument returns the JSON Schema (draft 2020-12) of the JSON form, for those who read it by
// program. It lets unknown fields pass: later versions may add some, and change none.
func SchemaDocument() []byte { return slices.Clone(schemaDocument) }

// writeJSON leaves '<' and '&' as they are: the form is read by programs, never put into a page, and a
// person who looks at it should see the sentence.
func writeJSON(w io.Writer, r *Review) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	c := whole(r)
	for i := range c.Findings {
		for k := range c.Findings[i].Evidence {
			if v := &c.Findings[i].Evidence[k].Value; *v != nil {
				short := rounded(**v)
				*v = &short
			}
		}
	}
	return e.Encode(c)
}

// rounded takes the binary fraction out of a value: twelve digits are more than any signal has.
func rounded(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		return v
	}
	return r
}

// whole returns r as scripts may rely on it: a list is a list though it be empty, and a number that
// is none is null. r itself stays as it is.
func whole(r *Review) *Review {
	c := *r
	c.Schema = Schema
	c.Session.Anchors = list(c.Session.Anchors)
	c.Session.Buses = list(c.Session.Buses)
	c.Stages = list(c.Stages)
	for i := range c.Stages {
		c.Stages[i].Corners = list(c.Stages[i].Corners)
	}
	c.Findings = list(c.Findings)
	for i := range c.Findings {
		c.Findings[i].Evidence = list(c.Findings[i].Evidence)
		for k := range c.Findings[i].Evidence {
			r.complete(&c.Findings[i].Evidence[k])
		}
	}
	c.Limits = list(c.Limits)
	for i := range c.Limits {
		known(&c.Limits[i].Value)
	}
	c.Leaks = list(c.Leaks)
	for i := range c.Leaks {
		c.Leaks[i].whole()
	}
	c.Sag = list(c.Sag)
	for i := range c.Sag {
		c.Sag[i].Causes = list(c.Sag[i].Causes)
	}
	for i := range c.Corners {
		c.Corners[i].whole()
	}
	return &c
}

// complete gives an evidence the reference of its signal's definition, and no number that is none.
func (r *Review) complete(e *Evidence) {
	known(&e.Value)
	for i := range r.signals {
		if s := &r.signals[i]; e.Reference == "" && s.Name == e.Signal {
			e.Reference = s.Reference.String()
		}
	}
}

// drawable is the largest value that a plot takes, in bar or mm: no sensor of a vehicle goes there, and
// a scale over it would show nothing else.
const drawable = 1e6

// whole leaves out what no picture can show; the line is cut there.
func (k *Corner) whole() {
	for _, v := range []**float64{&k.Least, &k.Greatest, &k.Series} {
		if *v != nil && !(math.Abs(**v) <= drawable) {
			*v = nil
		}
	}
	for _, p := range []*Plot{&k.Pressure, &k.Height} {
		points, cut := make([]PlotPoint, 0, len(p.Points)), false
		for _, q := range p.Points {
			if !(math.Abs(q.Least) <= drawable && math.Abs(q.Greatest) <= drawable && math.Abs(q.First) <= drawable && math.Abs(q.Last) <= drawable) {
				cut = true
				continue
			}
			q.Break, cut = q.Break || cut, false
			points = append(points, q)
		}
		p.Points = points
	}
}

// whole takes back an interval of which a part is no number: half an interval proves nothing.
func (l *Leak) whole() {
	for _, n := range []**Interval{&l.Rate, &l.RateANR} {
		if *n != nil && !(finite((*n).Value) && finite((*n).Low) && finite((*n).High)) {
			*n = nil
		}
	}
	known(&l.LimitANR)
	known(&l.NeedsS)
	known(&l.SagMMIn12h)
}

// list returns a copy of s that is never nil.
func list[T any](s []T) []T { return append([]T{}, s...) }

// known makes a number that is none unknown.
func known(v **float64) {
	if *v != nil && !finite(**v) {
		*v = nil
	}
}

// finite reports whether v is a number that can be written and drawn.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
