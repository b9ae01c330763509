package safety

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

// even are eight signals that come equally often.
func even(every float64) [8]float64 {
	return [8]float64{every, every, every, every, every, every, every, every}
}

// judgeOn judges steps of the world by a card of its own.
func judgeOn(t *testing.T, steps []step, card string, ask ...string) judged {
	t.Helper()
	c, err := jobcard.Load("card.yaml", []byte(card))
	require.NoError(t, err)
	var out judged
	j := NewJudge(worldSignals(), c, ask)
	j.Alarm = func(f Finding) { out.alarms = append(out.alarms, f) }
	for i := range steps {
		steps[i].feed(j)
	}
	j.Finish()
	out.findings = j.Findings()
	return out
}

// cardWithLeast is the world's card with another least pressure.
func cardWithLeast(bar float64) string {
	return strings.Replace(worldCard, "least_pressure: 1 bar", fmt.Sprintf("least_pressure: %g bar", bar), 1)
}

// pressureOf reports whether a step is a pressure sample of the corner.
func pressureOf(s *step, c decode.Corner) bool {
	return s.sample != nil && s.sample.Signal == decode.SignalIndex(2*(int(c)-1)+1)
}

// earlyLowering bleeds the rear left, marks its line or not, and lowers without a fill.
func earlyLowering(every float64, line bool) *world {
	w := newWorld(even(every), 0.1, 0.01, 7)
	w.wait(30, nil)
	w.move(80, 20, decode.Corners[:]...)
	w.wait(20, nil)
	w.pump(decode.RearLeft, 0, 0.2)
	w.wait(5, nil)
	if line {
		w.mark(MarkLineOpen, decode.RearLeft)
		w.wait(20, nil)
		w.mark(MarkLineClosed, decode.RearLeft)
	}
	w.wait(10, nil)
	w.lower(0, 20)
	w.wait(30, nil)
	return w
}

// An absolute sensor under a definition that says gauge shows 1.013 bar in an empty spring. Never is
// that held, whatever the least pressure, and the finding names the definition.
func TestHazard01AbsoluteReadAsGauge(t *testing.T) {
	for _, least := range []float64{0.7, 0.8, 0.9, 1, 1.5} {
		for _, line := range []bool{true, false} {
			w := earlyLowering(0.1, line)
			for i := range w.steps {
				if pressureOf(&w.steps[i], decode.RearLeft) {
					w.steps[i].sample.Value += 1.01325
				}
			}
			d := judgeOn(t, w.steps, cardWithLeast(least))
			require.NotEqual(t, "held", d.outcome(loweredWithoutPressure, decode.RearLeft), "least %g bar, line mark %v", least, line)
			require.NotEqual(t, "held", d.outcome(stoodWithoutPressure, decode.RearLeft), "least %g bar, line mark %v", least, line)
			named := false
			for _, f := range d.findings {
				named = named || f.Corner == decode.RearLeft && f.Proof == decode.Contradicted && strings.Contains(f.Note, "definition says gauge")
			}
			require.True(t, named, "least %g bar, line mark %v", least, line)
		}
	}
}

// crushedTo is what a closed empty bellows of 2.2 L and 98 cm2 reads at a height that it is crushed
// to from +90 mm, in bar gauge: p V^n = const with absolute pressures.
func crushedTo(mm, n float64) float64 {
	return 1.01325*math.Pow(volume(90)/volume(mm), n) - 1.01325
}

// A closed empty bellows fills itself while it is crushed. Hand calculation: from +90 to -80 mm 3.082 L
// become 1.416 L: 1.192 bar gauge isothermal, 1.997 adiabatic, both above a least of 1 bar.
func TestHazard02CrushedBellows(t *testing.T) {
	require.InDelta(t, 1.192, crushedTo(-80, 1), 0.001)
	require.InDelta(t, 1.997, crushedTo(-80, 1.4), 0.001)
	cases := []struct {
		name         string
		every, speed float64
		want         []string
	}{
		{"10 Hz", 0.1, 50, []string{"broken"}},
		{"1 Hz", 1, 50, []string{"broken"}},
		{"0.5 Hz", 2, 50, []string{"broken"}},
		{"10 Hz, the lift drops", 0.1, 240, []string{"broken"}},
		{"one sample inside the closing", 2, 85, []string{"broken", "cannot-tell"}},
	}
	for _, tt := range cases {
		for _, n := range []float64{1, 1.4} {
			t.Run(fmt.Sprintf("%s, n=%g", tt.name, n), func(t *testing.T) {
				w := newWorld(even(tt.every), 0, 0, 3)
				w.wait(30, nil)
				w.move(90, 20, decode.Corners[:]...)
				w.wait(20, nil)
				w.pump(decode.RearLeft, 0, 0.2)
				w.wait(20, nil)
				from := w.now
				w.lower(-80, tt.speed)
				w.wait(30, nil)
				for i := range w.steps {
					if s := &w.steps[i]; pressureOf(s, decode.RearLeft) && s.at >= stampAt(from) {
						p := crushedTo(90-min(170, (s.at.Sub(stampAt(from)).Seconds())*tt.speed), n)
						s.sample.Value, s.sample.Raw = p, uint64(p*1000)
					}
				}
				d := judgeOn(t, w.steps, worldCard)
				require.Contains(t, tt.want, d.outcome(loweredWithoutPressure, decode.RearLeft))
				require.NotEqual(t, "held", d.outcome(stoodWithoutPressure, decode.RearLeft))
			})
		}
	}
}

func TestHazard04JackIsNoAlarm(t *testing.T) {
	for _, marked := range []bool{true, false} {
		w := newWorld(even(0.1), 0.1, 0.01, 5)
		w.wait(30, nil)
		w.move(80, 20, decode.Corners[:]...)
		w.wait(20, nil)
		w.pump(decode.RearLeft, 0.3, 0.2)
		w.wait(10, nil)
		if marked {
			w.mark(MarkJack, decode.RearLeft)
		}
		w.move(0, 20, decode.RearLeft)
		w.wait(30, nil)
		w.move(80, 20, decode.RearLeft)
		w.wait(10, nil)
		d := judgeOn(t, w.steps, worldCard)
		require.Empty(t, d.rung(), "marked %v", marked)
		require.Equal(t, "broken", d.outcome(closedWithoutPressure, decode.RearLeft), "it is said all the same, as advice")
	}
}

func TestHazard04OneAlarmForTheEmptyCorner(t *testing.T) {
	w := newWorld(even(0.1), 0.1, 0.01, 5)
	w.wait(30, nil)
	w.move(80, 20, decode.Corners[:]...)
	w.wait(20, nil)
	w.pump(decode.RearLeft, 0, 0.2)
	w.wait(20, nil)
	w.move(0, 20, decode.RearLeft, decode.RearRight)
	w.wait(30, nil)
	rung := judgeOn(t, w.steps, worldCard).rung()
	require.Len(t, rung, 1)
	require.Equal(t, decode.RearLeft, rung[0].Corner)
	require.Same(t, loweredWithoutPressure, rung[0].Rule)
}

func TestHazard04ProperJobIsSilent(t *testing.T) {
	for _, marks := range []bool{true, false} {
		w := newWorld(even(0.2), 0.2, 0.02, 5)
		properJob(w, marks, 1900, 10)
		require.Greater(t, w.now, 40*60.0)
		require.Empty(t, judgeOn(t, w.steps, worldCard).rung(), "marks %v", marks)
	}
}

// Without a pressure signal marks alone can break, and nothing ever holds.
func TestHazard06MarksAlone(t *testing.T) {
	tl := &timeline{}
	tl.mark(20, decode.RearLeft, MarkBled)
	tl.mark(60, decode.NoCorner, MarkGoingDown)
	d := judgeOn(t, tl.steps, worldCard)
	require.Equal(t, "broken", d.outcome(loweredWithNoFillSeen, decode.RearLeft))
	require.Len(t, d.rung(), 1)
	for _, f := range d.findings {
		require.NotEqual(t, Held, f.Outcome, f.Summary)
	}
}

func TestHazard06NeverHeld(t *testing.T) {
	for _, path := range timelineFiles(t) {
		for _, f := range readTimeline(t, path).judge(-1).Findings() {
			require.False(t, f.Rule == loweredWithNoFillSeen && f.Outcome == Held, path)
		}
	}
}

// A proper session without marks finds nothing wrong, and everything that was asked for holds. Who
// asks for more than it shows is told that it does not show it.
func TestHazard14AskedDecides(t *testing.T) {
	w := newWorld(even(0.2), 0.1, 0.01, 5)
	properJob(w, false, 60, 10)
	held := 0
	for _, f := range judgeOn(t, w.steps, worldCard).findings {
		require.False(t, f.Outcome == Broken && f.Rule.Severity != Advice, f.Summary)
		if f.Asked {
			require.Equal(t, Held, f.Outcome, f.Summary)
			held++
		}
	}
	require.Equal(t, 12, held, "three rules at four corners")

	d := judgeOn(t, w.steps, worldCard, "not-tight")
	for _, c := range decode.Corners {
		require.Equal(t, "cannot-tell", d.outcome(notTight, c))
	}
}

func TestHazard15FrozenOrWrongUnit(t *testing.T) {
	swaps := map[string]func(*decode.Sample){
		"frozen":         func(s *decode.Sample) { s.Value, s.Raw = 3.8, 3800 },
		"kPa as bar":     func(s *decode.Sample) { s.Value *= 100; s.Raw *= 100 },
		"psi as bar":     func(s *decode.Sample) { s.Value *= 14.5038 },
		"out of sense":   func(s *decode.Sample) { s.Status = decode.StatusOutOfRange },
		"not a number":   func(s *decode.Sample) { s.Value = math.NaN() },
		"without bounds": func(s *decode.Sample) { s.Value = math.Inf(1) },
	}
	for name, swap := range swaps {
		t.Run(name, func(t *testing.T) {
			w := earlyLowering(0.1, false)
			for i := range w.steps {
				if pressureOf(&w.steps[i], decode.RearLeft) {
					swap(w.steps[i].sample)
				}
			}
			d := judgeOn(t, w.steps, worldCard)
			for _, r := range Rules {
				require.NotEqual(t, "held", d.outcome(r, decode.RearLeft), r.Name)
			}
		})
	}
}

// promises are words by which somebody could read that a spring will carry the body.
var promises = []string{"enough", "carries", "will carry", "can carry", "safe", "bears"}

// Hand calculation: 1.3 bar gauge at +80 mm, 2.984 L, is above a least of 1 bar; it would take 1.88 to
// carry 4600 N at -70 mm, 1.514 L. So it comes down on its stop with 3.55 bar, where it stood with 5.5.
func TestHazard17LeastIsNoPromise(t *testing.T) {
	w := newWorld(even(0.1), 0.1, 0.005, 5)
	w.wait(30, nil)
	w.move(80, 20, decode.Corners[:]...)
	w.wait(20, nil)
	w.pump(decode.RearLeft, 1.3, 0.2)
	w.wait(30, nil)
	w.lower(-70, 20)
	w.wait(30, nil)
	require.InDelta(t, 3.55, w.gauge(decode.RearLeft), 0.03)
	d := judgeOn(t, w.steps, worldCard)
	require.Equal(t, "held", d.outcome(loweredWithoutPressure, decode.RearLeft), "it may be rolled")
	require.Equal(t, "broken", d.outcome(stoodWithoutPressure, decode.RearLeft), "it stands on its stop")
	for _, f := range d.findings {
		for _, word := range promises {
			require.NotContains(t, f.Summary, word)
		}
	}
}

// quickBleed is what is read after a bleed from 3.8 bar that stops at a passing value: the gas is cold
// and the pressure rises by itself with a time constant of 15 s (gas to wall, computed).
func quickBleed(passing, settled, markAfter float64) []step {
	w := newWorld(even(0.1), 0, 0, 1)
	w.mark(MarkLiftUp, decode.NoCorner)
	w.height = [5]float64{0, 80, 80, 80, 80}
	w.wait(20, nil)
	w.pump(decode.RearLeft, passing, 0.6)
	stopped := w.now
	warm := func(float64) {
		p := settled - (settled-passing)*math.Exp(-(w.now-stopped)/15)
		w.air[decode.RearLeft] = (p + 1.01325) * volume(80)
	}
	w.wait(markAfter, warm)
	w.mark(MarkLineOpen, decode.RearLeft)
	w.wait(60, warm)
	return w.steps
}

// The pressure right after a quick bleed counts for nothing: it goes on rising, from 1.05 to 1.32 bar.
func TestHazard18QuickBleed(t *testing.T) {
	for _, tt := range []struct{ passing, settled, after float64 }{
		{1.05, 1.32, 0}, {1.05, 1.32, 2}, {1.05, 1.32, 20}, {0.15, 0.45, 0}, {0.15, 0.45, 1}, {0.15, 0.45, 20},
	} {
		d := judgeOn(t, quickBleed(tt.passing, tt.settled, tt.after), worldCard)
		require.NotEqual(t, "held", d.outcome(lineOpenedUnderPressure, decode.RearLeft), "%+v", tt)
	}
}

// A fill that is quick ends warm: it stops at 3.19 bar and is 2.60 when cold, with a time constant of
// 15 s (computed). Where 2.7 bar are the least, it is not held at whatever moment it is lowered.
func TestHazard18QuickFill(t *testing.T) {
	for _, after := range []float64{1, 5, 10, 20, 40, 80, 150, 200} {
		w := newWorld(even(0.1), 0, 0, 1)
		w.wait(30, nil)
		w.move(80, 20, decode.Corners[:]...)
		w.wait(20, nil)
		w.pump(decode.RearLeft, 0, 0.2)
		w.wait(20, nil)
		w.pump(decode.RearLeft, 3.19, 0.18)
		stopped := w.now
		w.wait(after, func(float64) {
			p := 2.60 + (3.19-2.60)*math.Exp(-(w.now-stopped)/15)
			w.air[decode.RearLeft] = (p + 1.01325) * volume(80)
		})
		w.lower(0, 20)
		w.wait(20, nil)
		d := judgeOn(t, w.steps, cardWithLeast(2.7))
		require.NotEqual(t, "held", d.outcome(loweredWithoutPressure, decode.RearLeft), "lowered after %g s", after)
	}
}

// timelineSays demands what a named timeline wants; its rule is the name of its folder.
func timelineSays(t *testing.T, paths ...string) {
	t.Helper()
	for _, path := range paths {
		rule, _, _ := strings.Cut(path, "/")
		checkTimeline(t, readTimeline(t, "testdata/"+path+".txtar"), rule)
	}
}

func TestHazard09HeartbeatStops(t *testing.T) {
	timelineSays(t, "service-mode-lost/broken-silent", "service-mode-lost/broken-default", "service-mode-lost/silent-to-the-end",
		"service-mode-lost/held")
}

func TestHazard09MovedUnasked(t *testing.T) {
	timelineSays(t, "moved-unasked/broken", "moved-unasked/asked", "moved-unasked/settling")
}

// Wheels that turn on the lift, or a mark that comes early, say that the body stands. At 20 mm/s it
// comes down all the same, on an empty corner.
func TestHazard19SaidToStand(t *testing.T) {
	timelineSays(t, "lowered-without-pressure/lowered-said-early")
	for _, early := range []float64{0.5, 5, 30} {
		w := newWorld(even(0.1), 0.1, 0.01, 5)
		w.wait(30, nil)
		w.move(80, 20, decode.Corners[:]...)
		w.wait(20, nil)
		w.pump(decode.RearLeft, 0, 0.2)
		w.wait(20, nil)
		w.mark(MarkLowered, decode.NoCorner)
		w.wait(early, nil)
		w.lower(0, 20)
		w.wait(20, nil)
		d := judgeOn(t, w.steps, worldCard)
		require.Equal(t, "broken", d.outcome(loweredWithoutPressure, decode.RearLeft), "said %g s early", early)
		require.Equal(t, "cannot-tell", d.outcome(loweredWithoutPressure, decode.RearRight), "said %g s early", early)
	}
}

func TestHazard20ClosedInsideAGap(t *testing.T) {
	timelineSays(t, "lowered-without-pressure/gap-in-height", "lowered-without-pressure/gap", "lowered-without-pressure/gap-empty")
}

func TestHazard21BledOnTheJack(t *testing.T) {
	timelineSays(t, "lowered-without-pressure/jack-bled", "lowered-without-pressure/jack-then-both")
}

// HAZARDS H10: the list of what was found has a bound, the alarm has none.
func TestHazard10ManyBreachesStillAlarm(t *testing.T) {
	j := NewJudge(nil, nil, nil)
	alarms := 0
	j.Alarm = func(Finding) { alarms++ }
	p := &Pass{Rule: &Rule{Name: "any"}, judge: j, vehicle: j.vehicle}
	for range maxVerdicts + 5 {
		p.Report(Verdict{Outcome: Broken, Class: Seen})
	}
	require.Len(t, p.verdicts, maxVerdicts)
	require.Equal(t, 5, p.dropped)
	require.Equal(t, maxVerdicts+5, alarms)
}
