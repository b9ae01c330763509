package review

import (
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"ridewitness/decode"
)

// comparePage is parsed where it is first written, since every command pays for what is parsed at the
// start.
var comparePage = sync.OnceValues(func() (*template.Template, error) {
	return template.ParseFS(pageFiles, "compare.html")
})

// compareView is what the template shows.
type compareView struct {
	Policy      string
	CSS         template.CSS
	Title       string
	Sides       [2]sideView
	Comparable  bool
	Reasons     []string
	Differences []string
	Rows        [][3]string // stage, first, second
	Ends        [][5]string // corner, bar and mm in both
	Plot        template.HTML
	SagNote     string
	Sags        []sagBetween
	Caution     string
}

type sideView struct {
	Which, File, Label, Date, Origin, Integrity, Outcome string
}

type sagBetween struct {
	Sentence, Note string
	Parts          []string
}

// WriteCompareHTML writes a comparison as one page that asks for nothing and prints.
func WriteCompareHTML(w io.Writer, c *Comparison) error {
	parts, err := pageParts()
	if err != nil {
		return err
	}
	t, err := comparePage()
	if err != nil {
		return err
	}
	v := compareView{CSS: template.CSS(parts.css), Comparable: c.Comparable, Caution: Caution, Title: clean(c.B.Label),
		Policy: fmt.Sprintf("default-src 'none'; style-src 'sha256-%s'; base-uri 'none'; form-action 'none'", digest(parts.css)),
		Sides:  [2]sideView{sideWords("first", c.A, c.reviews[0]), sideWords("second", c.B, c.reviews[1])}, SagNote: sentence(capital(c.SagNote))}
	for _, why := range c.Reasons {
		v.Reasons = append(v.Reasons, sentence(why))
	}
	for _, d := range c.Differences {
		v.Differences = append(v.Differences, sentence(capital(minus(d))))
	}
	if c.Comparable {
		v.fill(c)
	}
	return t.Execute(w, v)
}

func sideWords(which string, s Side, r *Review) sideView {
	label := s.Label
	if label == "" {
		label = "no label"
	}
	return sideView{Which: which, File: clean(s.File), Label: label, Date: r.date(), Origin: OriginWords(s.Origin), Integrity: s.Integrity, Outcome: s.Outcome}
}

func (v *compareView) fill(c *Comparison) {
	for _, p := range c.Stages {
		v.Rows = append(v.Rows, [3]string{strings.TrimSpace(p.Stage + " " + strings.Join(p.Corners, ", ")), minus(stageWords(p.A)), minus(stageWords(p.B))})
	}
	for _, e := range c.Corners {
		v.Ends = append(v.Ends, [5]string{e.Corner, shown(e.BarA, 2), shown(e.BarB, 2), shown(e.MMA, 1), shown(e.MMB, 1)})
	}
	for _, s := range c.Sag {
		between := sagBetween{Sentence: s.Sentence, Note: clean(s.Note)}
		for _, cause := range s.Causes {
			between.Parts = append(between.Parts, minus(clean(partWords(cause))))
		}
		v.Sags = append(v.Sags, between)
	}
	v.Plot = template.HTML(bothCurves(whole(c.reviews[0]), whole(c.reviews[1])))
}

// shown writes a number for a table, a dash where it is not known.
func shown(v *float64, decimals int) string {
	if v == nil || !finite(*v) {
		return "unknown"
	}
	return minus(fmt.Sprintf("%.*f", decimals, *v))
}

// bothCurves draws the pressures and heights of two sessions over the time since each began: the first
// as a full line, the second dashed, on one scale.
func bothCurves(a, b *Review) string {
	longest := max(a.Record.End.Sub(a.Record.Start), b.Record.End.Sub(b.Record.Start), time.Second)
	first, second := curvesOf(a, longest), curvesOf(b, longest)
	press, rise := widest(first.press, second.press, 4), widest(first.rise, second.rise, 3)
	var out svg
	y := 0.0
	for _, id := range decode.Corners {
		if !a.Corners[id].Present && !b.Corners[id].Present {
			continue
		}
		y += 8
		out.add(`<text class="n" x="0" y="%v">%v</text>`, y+15, id.String())
		y += 24
		for _, what := range []string{"pressure", "height"} {
			s, height := press, pressHeight
			if what == "height" {
				s, height = rise, riseHeight
			}
			bothPanel(&out, y, what, s, height, first, second, plotOf(a, id, what), plotOf(b, id, what))
			y += height + 12
		}
	}
	first.y = y
	first.b.Reset()
	first.axis()
	return fmt.Sprintf(`<svg viewBox="0 0 %s %s" role="img" aria-label="Pressure and height of each corner in both sessions; the tables say the same">`,
		coordinate(plotWidth), coordinate(first.y)) + out.b.String() + first.b.String() + "</svg>"
}

// curvesOf returns a picture of a session on an axis that is longer than it.
func curvesOf(r *Review, longest time.Duration) *picture {
	stretched := *r
	stretched.Record.End = r.Record.Start.Add(longest)
	stretched.Record.Losses = nil
	p := &picture{r: &stretched}
	p.scales()
	return p
}

func widest(a, b scale, ticks int) scale {
	return scaleOver(math.Min(a.low, b.low), math.Max(a.high, b.high), ticks)
}

func plotOf(r *Review, id decode.Corner, what string) []PlotPoint {
	if what == "height" {
		return r.Corners[id].Height.Points
	}
	return r.Corners[id].Pressure.Points
}

func bothPanel(out *svg, y float64, what string, s scale, height float64, first, second *picture, a, b []PlotPoint) {
	unit := map[string]string{"pressure": "bar gauge", "height": "mm"}[what]
	out.add(`<g class="%v" transform="translate(0 %v)">`, "pa "+what, y)
	out.add(`<text class="s q" x="0" y="%v">%v,</text><text class="s q" x="0" y="%v">%v</text>`, height/2-2, what, height/2+11, unit)
	for _, t := range s.ticks {
		out.add(`<path class="gr" d="M%v %vH%v"/><text class="s e" x="%v" y="%v">%v</text>`, plotLeft, s.y(t, height), plotRight,
			plotLeft-6, s.y(t, height)+4, minus(svgNumber(t).String()))
	}
	if len(b) > 0 {
		out.add(`<path class="gh" d="%v"/>`, path(level(second.columns(b), s, height), s, height))
	}
	if len(a) > 0 {
		out.add(`<path class="ln" d="%v"/>`, path(level(first.columns(a), s, height), s, height))
	}
	out.add(`</g>`)
}
