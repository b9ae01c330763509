package pagetest

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Painted is an element as it was painted: its colour over that of the nearest element below it that
// has one, red, green, blue and alpha from 0 to 255.
type Painted struct {
	Name        string
	Over, Under [4]float64
	Opacity     float64 // of it and of all that it stands in, multiplied
}

// Contrast returns the contrast ratio of two colours, from 1 to 21: WCAG 2.2, definitions of
// 'contrast ratio' and 'relative luminance'.
func Contrast(a, b [4]float64) float64 {
	light, dark := luminance(a), luminance(b)
	if light < dark {
		light, dark = dark, light
	}
	return (light + 0.05) / (dark + 0.05)
}

func luminance(colour [4]float64) float64 {
	linear := func(c float64) float64 {
		c /= 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(colour[0]) + 0.7152*linear(colour[1]) + 0.0722*linear(colour[2])
}

// painted is a script that lists what is seen of the elements of a selector. What is drawn has its
// colour in a property of its own: fill or border-top-color in place of color.
const painted = `((selector, property) => {
	const colour = text => { const n = text.match(/[\d.]+/g).map(Number); return [n[0], n[1], n[2], (n[3] === undefined ? 1 : n[3]) * 255]; };
	return [...document.querySelectorAll(selector)].filter(e => e.checkVisibility({visibilityProperty: true}) && e.getBoundingClientRect().width > 0).map(e => {
		let under = [0, 0, 0, 0], opacity = 1;
		// a letter stands on its own element, a frame and a drawing on the one around it
		for (let b = property === "color" ? e : e.parentElement; b && !under[3]; b = b.parentElement) under = colour(getComputedStyle(b).backgroundColor);
		for (let b = e; b; b = b.parentElement) opacity *= getComputedStyle(b).opacity;
		return {Name: (e.id || e.getAttribute("class") || e.tagName) + " '" + e.textContent.slice(0, 30) + "'",
			Over: colour(getComputedStyle(e)[property]), Under: under, Opacity: opacity};
	});
})(%q, %q)`

// RequireContrast checks that all that is seen of a selector has a contrast to what it stands on, and
// that there is something to be seen. Nothing may be seen through.
func (p *Tab) RequireContrast(least float64, property, selector, where string) {
	p.t.Helper()
	all := Ask[[]Painted](p, fmt.Sprintf(painted, selector, property))
	require.NotEmpty(p.t, all, "%s: nothing is seen of %s", where, selector)
	for _, e := range all {
		requireContrast(p.t, least, e, where)
	}
}

func requireContrast(t testing.TB, least float64, e Painted, where string) {
	t.Helper()
	require.Equal(t, 255.0, e.Over[3], "%s: %s is seen through", where, e.Name)
	require.Equal(t, 255.0, e.Under[3], "%s: %s stands on something that is seen through", where, e.Name)
	require.Equal(t, 1.0, e.Opacity, "%s: %s is faded", where, e.Name)
	require.GreaterOrEqual(t, Contrast(e.Over, e.Under), least, "%s: contrast of %s, %v on %v", where, e.Name, e.Over, e.Under)
}
