package scenario

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
)

// reading is one value from a frame, read as the demo wagon's definitions say, by hand.
type reading struct {
	at    time.Duration
	raw   uint16
	value float64
}

// seen is what a run showed.
type seen struct {
	heights   [corners][]reading // mm; every raw value
	pressures [corners][]reading // bar
	compress  time.Duration      // the compressor reported on
	messages  []string           // of tester and unit, without the length byte
	lost      uint64
	frames    int
	truths    []truth
	marks     []mark
}

// look runs a scenario to its end.
func look(t *testing.T, text string) seen {
	t.Helper()
	s, err := Load("test.yaml", text)
	require.NoError(t, err)
	r, err := s.Open(1)
	require.NoError(t, err)
	var w seen
	play(t, r, func(b *capture.Batch) {
		for i := range b.Frames {
			w.frame(&b.Frames[i], b.Frames[i].At.Sub(s.Start()))
		}
		for _, e := range b.Events {
			w.event(t, e)
		}
	})
	return w
}

func (w *seen) frame(f *capture.Frame, at time.Duration) {
	w.frames++
	d := f.Data
	height := func(c int, high, low byte) {
		raw := (uint16(high)<<8 | uint16(low)) & 0x0FFF
		w.heights[c] = append(w.heights[c], reading{at, raw, 200 + float64(raw)/10})
	}
	switch f.ID {
	case 0x152:
		height(0, d[1], d[2])
		height(1, d[3], d[4])
	case 0x153:
		height(2, d[1], d[2])
		height(3, d[3], d[4])
	case 0x2C6:
		if c := int(d[0]&0x0F) - 1; c >= 0 {
			raw := (uint16(d[3])<<8 | uint16(d[2])) & 0x3FFF
			w.pressures[c] = append(w.pressures[c], reading{at, raw, float64(raw)/1000 - 0.5})
		}
	case 0x3E4:
		if d[0]&0x0C == 0x04 {
			w.compress += 100 * time.Millisecond
		}
	case 0x6B2, 0x6BA:
		w.messages = append(w.messages, string(d[1:1+d[0]]))
	}
}

func (w *seen) event(t *testing.T, e capture.Event) {
	switch {
	case e.Kind == capture.EventLoss:
		w.lost += e.Count
	case e.Kind == capture.EventJournal && e.Name == "truth":
		var one truth
		require.NoError(t, json.Unmarshal(e.Body, &one))
		w.truths = append(w.truths, one)
	case e.Kind == capture.EventJournal && e.Name == "mark":
		var one mark
		require.NoError(t, json.Unmarshal(e.Body, &one))
		w.marks = append(w.marks, one)
	}
}

// end returns the true state of a corner at the end.
func (w *seen) end(t *testing.T, c decode.Corner) cornerTruth {
	last := w.truths[len(w.truths)-1]
	require.Equal(t, "end", last.What)
	return last.Corners[indexOf(c)]
}

// after returns the readings from a time on.
func after(list []reading, at time.Duration) []reading {
	for i := range list {
		if list[i].at >= at {
			return list[i:]
		}
	}
	return nil
}

func last(list []reading) reading { return list[len(list)-1] }

const head = `version: 1
title: a test
start: 2026-03-02T09:14:05Z
`

const rl, rr = 2, 3

// work bleeds and fills rear-left on the lift and comes down; faults begin at the moment `now`.
const work = head + `steps:
  - wait: 5 s
  - lift: {to: 100 mm, speed: 60 mm/s}
  - wait: 5 s
  - moment: now
  - bleed: {corner: rear-left, to: 1.5 bar, at_most: 15 s}
  - wait: 10 s
  - fill: {corner: rear-left, to: 3 bar, at_most: 15 s}
  - wait: 10 s
  - lift: {to: -200 mm, speed: 60 mm/s}
  - wait: 20 s
`

// standing stands for two minutes.
const standing = head + `steps:
  - wait: 20 s
  - moment: now
  - wait: 100 s
`

// Every kind of fault must be seen in what the buses carry, and seen against the same job without
// it.
func TestFaultsShow(t *testing.T) {
	const moment = 20 * time.Second // `now` of standing
	tried := make(map[string]bool)
	for _, c := range []struct {
		name  string
		job   string
		fault string
		check func(t *testing.T, with, without seen)
	}{
		{"leak", standing, "{kind: leak, corner: rear-left, size: 600 ml/min}", func(t *testing.T, with, without seen) {
			// By hand: 600 ml/min for 120 s are 1.42 g; at 5.806 bar absolute and 292 K they fill
			// 205 cm3, and 205 cm3 / 98 cm2 = 20.9 mm.
			sank := last(without.heights[rl]).value - last(with.heights[rl]).value
			require.InDelta(t, 20.9, sank, 1.5)
			require.InDelta(t, last(without.heights[rr]).value, last(with.heights[rr]).value, 1)
		}},
		{"cross-flow", standing, "{kind: cross-flow, corner: rear-left, with: rear-right, size: 600 ml/min}", func(t *testing.T, with, without seen) {
			require.Less(t, last(with.heights[rl]).value, last(without.heights[rl]).value-15)
			require.Greater(t, last(with.heights[rr]).value, last(without.heights[rr]).value+15)
			var air float64
			for _, c := range []decode.Corner{decode.RearLeft, decode.RearRight} {
				air += with.end(t, c).Mass - without.end(t, c).Mass
			}
			require.InDelta(t, 0, air, 2e-6)
		}},
		{"stuck-valve closed", work, "{kind: stuck-valve, corner: rear-left, state: closed}", func(t *testing.T, with, without seen) {
			// Lifted in seconds, the gas cools to less than the 3.2 bar of a slow lift.
			require.Greater(t, least(with.pressures[rl]), 2.6)
			require.Less(t, least(without.pressures[rl]), 1.6)
		}},
		{"stuck-valve open", standing, "{kind: stuck-valve, corner: rear-left, state: open, from: {moment: now}}", func(t *testing.T, with, _ seen) {
			require.Less(t, last(with.heights[rl]).value, 330.0)
			require.Less(t, last(with.pressures[rl]).value, 0.2)
		}},
		{"weak-compressor", busy, "{kind: weak-compressor, size: 2 %}", func(t *testing.T, with, without seen) {
			require.Greater(t, without.compress, 10*time.Second)
			require.Greater(t, with.compress, 2*without.compress)
		}},
		{"shifted-linkage", standing, "{kind: shifted-linkage, corner: rear-left, size: -12 mm, from: {moment: now}}", func(t *testing.T, with, without seen) {
			require.InDelta(t, last(without.heights[rl]).value-12, last(with.heights[rl]).value, 0.11)
			require.Equal(t, without.end(t, decode.RearLeft), with.end(t, decode.RearLeft))
		}},
		{"dead-sensor", standing, "{kind: dead-sensor, corner: rear-left, quantity: pressure, from: {moment: now}}", func(t *testing.T, with, without seen) {
			require.Empty(t, after(with.pressures[rl], moment+time.Second))
			require.NotEmpty(t, after(with.pressures[rr], moment+time.Second))
			require.NotEmpty(t, after(without.pressures[rl], moment+time.Second))
		}},
		{"dead-sensor of an axle's frame", standing, "{kind: dead-sensor, corner: rear-left, quantity: height, from: {moment: now}, until: {after: 60 s}}", func(t *testing.T, with, _ seen) {
			gone := after(with.heights[rr], moment+time.Second)
			require.GreaterOrEqual(t, gone[0].at, time.Minute)
			require.Less(t, gone[0].at, time.Minute+time.Second)
		}},
		{"frozen-sensor", work, "{kind: frozen-sensor, corner: rear-left, quantity: pressure, from: {moment: now}}", func(t *testing.T, with, without seen) {
			// The sensor froze when the job's moment came, after the lift: at hanging pressure.
			tail := after(with.pressures[rl], 18*time.Second)
			for _, r := range tail {
				require.Equal(t, tail[0].raw, r.raw)
			}
			require.Greater(t, tail[0].value, 2.6)
			require.Less(t, least(without.pressures[rl]), 1.6)
		}},
		{"invalid-sensor", standing, "{kind: invalid-sensor, corner: rear-left, quantity: height, from: {moment: now}}", func(t *testing.T, with, _ seen) {
			for _, r := range after(with.heights[rl], moment+time.Second) {
				require.EqualValues(t, 0xFFF, r.raw)
			}
		}},
		{"swapped-corners", standing, "{kind: swapped-corners, corner: rear-left, with: rear-right, quantity: pressure}", func(t *testing.T, with, without seen) {
			require.InDelta(t, last(without.pressures[rr]).value, last(with.pressures[rl]).value, 0.05)
			require.InDelta(t, last(without.pressures[rl]).value, last(with.pressures[rr]).value, 0.05)
		}},
		{"wrong-unit", standing, "{kind: wrong-unit, corner: rear-left, quantity: pressure, size: 3}", func(t *testing.T, with, without seen) {
			require.InDelta(t, 3*last(without.pressures[rl]).value, last(with.pressures[rl]).value, 0.002)
		}},
		{"absolute-pressures", standing, "{kind: absolute-pressures}", func(t *testing.T, with, without seen) {
			// The surroundings of these tests have 1.01 bar.
			require.InDelta(t, last(without.pressures[rl]).value+1.01, last(with.pressures[rl]).value, 0.0011)
		}},
		{"lost-frames", standing, "{kind: lost-frames, size: 50 %, bus: can0, from: {moment: now}}", func(t *testing.T, with, without seen) {
			require.EqualValues(t, without.frames, with.frames+int(with.lost))
			// can0 carries 50 frames a second here; half of 100 s of them.
			require.InDelta(t, 2500, float64(with.lost), 150)
			require.Zero(t, without.lost)
		}},
		{"gap", standing, "{kind: gap, from: {moment: now}, until: {moment: now, after: 30 s}}", func(t *testing.T, with, _ seen) {
			tail := after(with.heights[rl], moment+time.Second)
			require.GreaterOrEqual(t, tail[0].at, moment+30*time.Second)
			require.Zero(t, with.lost)
		}},
		{"silent-tester", work, "{kind: silent-tester, from: {moment: now}}", func(t *testing.T, with, without seen) {
			require.Contains(t, without.messages, "\x3E\x80")
			require.NotContains(t, with.messages, "\x3E\x80")
		}},
		{"refused-request", work, "{kind: refused-request, corner: rear-left}", func(t *testing.T, with, without seen) {
			require.Contains(t, with.messages, "\x7F\x31\x22")
			require.Contains(t, without.messages, "\x71\x01\x02\x43")
			require.NotContains(t, with.messages, "\x71\x01\x02\x43")
		}},
		{"unasked-bleed", standing, "{kind: unasked-bleed, corner: rear-left, from: {moment: now}, until: {moment: now, after: 10 s}}", func(t *testing.T, with, without seen) {
			require.Less(t, last(with.heights[rl]).value, last(without.heights[rl]).value-20)
			require.Empty(t, with.messages)
		}},
		{"short-fill", work, "{kind: short-fill, corner: rear-left, size: 2 bar}", func(t *testing.T, with, without seen) {
			require.Less(t, with.end(t, decode.RearLeft).Mass, without.end(t, decode.RearLeft).Mass-2)
		}},
	} {
		tried[strings.Fields(c.name)[0]] = true
		t.Run(c.name, func(t *testing.T) {
			with := look(t, c.job+"faults:\n  - "+c.fault+"\n")
			require.NotEmpty(t, with.truths[0].Text, "the truth names the fault first")
			c.check(t, with, look(t, c.job))
		})
	}
	for _, k := range FaultKinds() {
		require.NotEmpty(t, k.About, k.Name)
		require.True(t, tried[k.Name], "no case for %s", k.Name)
	}
}

// busy uses up the reservoir.
const busy = head + `steps:
  - lift: {to: 100 mm, speed: 60 mm/s}
  - bleed: {corner: rear-left, to: 1 bar, at_most: 30 s}
  - fill: {corner: rear-left, to: 4 bar, at_most: 30 s}
  - bleed: {corner: rear-left, to: 1 bar, at_most: 30 s}
  - fill: {corner: rear-left, to: 4 bar, at_most: 30 s}
  - bleed: {corner: rear-left, to: 1 bar, at_most: 30 s}
  - fill: {corner: rear-left, to: 4 bar, at_most: 30 s}
  - wait: 3 min
`

func least(list []reading) float64 {
	v := list[0].value
	for _, r := range list {
		v = min(v, r.value)
	}
	return v
}
