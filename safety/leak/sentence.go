package leak

import "fmt"

// Sentence says in plain words what the estimate tells of a corner: the rate with its interval, the
// limit it was held against, and where it was measured, since a spring that is tight hanging may
// leak standing.
func (e Estimate) Sentence(corner string) string {
	rate := ""
	if e.HasRate {
		rate = fmt.Sprintf("%.3g ml/min (%.3g to %.3g)", e.MlMin().Value, e.MlMin().Low, e.MlMin().High)
	}
	where := fmt.Sprintf("%s at %.1f bar gauge", e.Regime, e.MeanGauge/1e5)
	switch e.Outcome {
	case Tight:
		return fmt.Sprintf("%s is tight against %.3g ml/min while %s: it loses %s", corner, e.LimitMlMin, where, rate)
	case Leaking:
		said := fmt.Sprintf("%s leaks more than %.3g ml/min while %s: it loses %s", corner, e.LimitMlMin, where, rate)
		if e.Bound == OtherCorner {
			said += fmt.Sprintf("; at least %.3g against another corner in the same air", e.MlMin().Low)
		}
		return said
	}
	said := fmt.Sprintf("whether %s is tight can't be told: %s", corner, e.Note)
	switch {
	case e.HasRate:
		said += fmt.Sprintf("; while %s it loses %s", where, rate)
	case e.HasSlope:
		p := e.PaPerS.Times(60)
		said += fmt.Sprintf("; the pressure moves by %.3g Pa/min (%.3g to %.3g)", p.Value, p.Low, p.High)
	}
	return said
}
