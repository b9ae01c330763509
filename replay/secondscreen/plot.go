package secondscreen

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ridewitness/decode"
	"ridewitness/replay/terminal"
)

// plot is the last two minutes of a value, in a box of 1000 by 100, the time from left to right.
type plot struct {
	Line string `json:"line"` // an SVG path, broken where nothing is known
	Gap  string `json:"gap"`  // an SVG path around what is not known
}

// plotSeconds is how far back a plot goes.
const plotSeconds = 120

// dot is a value of one second of the plot.
type dot struct {
	x int // seconds from the left end
	v float64
}

// draw draws a value of the corner at place i between two ends of its axis.
func draw(s *terminal.State, i int, q decode.Quantity, low, high float64) plot {
	c := &s.Corners[i]
	signal, pick := &c.Pressure, func(p, _ float64) float64 { return p }
	if q == decode.Height {
		signal, pick = &c.Height, func(_, h float64) float64 { return h }
	}
	now := int64(s.Now) / int64(time.Second)
	left := now - plotSeconds
	var dots []dot
	for n := left; n <= now; n++ {
		if v := pick(c.History.Second(n)); !math.IsNaN(v) {
			dots = append(dots, dot{int(n - left), v})
		}
	}
	if !signal.Defined {
		return plot{}
	}
	begin := int(max(int64(s.Start)/int64(time.Second)-left, 0))
	return path(dots, begin, signal.Fresh(), low, high)
}

// path draws the dots from `begin` on. What lies between two of them is a gap where it is longer
// than three of their usual distances, and so is what follows the last one when it is not fresh.
func path(dots []dot, begin int, fresh bool, low, high float64) plot {
	limit := usual(dots) * 3
	var line, gap strings.Builder
	hole := func(from, to int) {
		if to > from {
			fmt.Fprintf(&gap, "M%d 0H%dV100H%dZ", across(from), across(to), across(from))
		}
	}
	last := begin
	for k, d := range dots {
		far := d.x-last > limit
		if far {
			hole(last, d.x)
		}
		command := 'L'
		if far || k == 0 {
			command = 'M'
		}
		fmt.Fprintf(&line, "%c%d %.1f", command, across(d.x), 100-float64(share(d.v, low, high))/10)
		if command == 'M' {
			line.WriteString("h0") // a value that stands alone is a point
		}
		last = d.x
	}
	if !fresh {
		hole(last, plotSeconds)
	}
	return plot{line.String(), gap.String()}
}

func across(x int) int { return x * 1000 / plotSeconds }

// usual returns the median distance between dots, in seconds, 1 at least.
func usual(dots []dot) int {
	var apart []int
	for k := 1; k < len(dots); k++ {
		apart = append(apart, dots[k].x-dots[k-1].x)
	}
	if len(apart) == 0 {
		return 1
	}
	slices.Sort(apart)
	return max(apart[(len(apart)-1)/2], 1)
}
