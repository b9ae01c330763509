package prepare

import (
	"fmt"
	"slices"
	"strings"

	"ridewitness/decode"
	"ridewitness/safety"
)

// SignalFact says what one definition did.
type SignalFact struct {
	Name     string   `json:"name"`
	Corner   string   `json:"corner"`
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit"`
	Proof    string   `json:"proof"`
	OnDemand bool     `json:"only_when_asked"` // it comes only while a tester asks for it
	Valid    *uint64  `json:"valid"`           // values; null: nobody listened
	Bad      *uint64  `json:"bad"`             // values that were invalid, out of range or missing
	Last     *float64 `json:"last"`
}

// onDemand reports whether a signal comes only while a tester asks for it. This program asks nobody.
func onDemand(s *decode.Signal) bool {
	return s.Origin.Kind == decode.FromIdentifier || s.Origin.Kind == decode.FromParameter
}

// signals says which definitions brought a value, and which stand in doubt.
func (r *Report) signals(f *Facts) {
	if len(f.Known.Signals) == 0 {
		r.add(Check{Name: "signals", State: Unknown, Says: "no definitions were named: no pressure and no height can be read, and nothing can be warned of",
			Do: "name them with --signals; 'ridewitness help signals' explains"})
		return
	}
	r.signalFacts(f)
	r.proofs(f)
	if f.Heard.listened() {
		r.decoded(f)
		r.doubts(f)
	} else {
		r.add(Check{Name: "values", State: Unknown, Says: "nobody listened, so nobody knows whether the definitions read anything"})
	}
	if len(f.Known.Replaced) > 0 {
		r.add(Check{Name: "definitions", State: NothingFound, Says: "replaced: " + strings.Join(f.Known.Replaced, "; ")})
	}
}

// listened reports whether somebody listened to a bus.
func (h *Heard) listened() bool { return h != nil && h.Listened > 0 && len(h.Buses) > 0 }

func (r *Report) signalFacts(f *Facts) {
	for i := range f.Known.Signals {
		s := &f.Known.Signals[i]
		fact := SignalFact{Name: s.Name, Corner: s.Corner.String(), Quantity: s.Quantity.String(), Unit: s.Unit.Name, Proof: s.Proof.String(), OnDemand: onDemand(s)}
		if t := f.Heard.tally(i); t != nil {
			bad := t.Count() - t.Valid
			fact.Valid, fact.Bad = &t.Valid, &bad
			if t.Valid > 0 {
				fact.Last = &t.Last.Value
			}
		}
		r.Signals = append(r.Signals, fact)
	}
}

// tally returns what a signal did, nil where nobody listened.
func (h *Heard) tally(i int) *decode.Tally {
	if !h.listened() || i >= len(h.Tallies) {
		return nil
	}
	return &h.Tallies[i]
}

// proofs counts how sure the definitions are.
func (r *Report) proofs(f *Facts) {
	var count [decode.Contradicted + 1]int
	var denied []string
	for i := range f.Known.Signals {
		s := &f.Known.Signals[i]
		count[min(s.Proof, decode.Contradicted)]++
		if s.Proof == decode.Contradicted {
			denied = append(denied, s.Name)
		}
	}
	c := Check{Name: "proof", State: NothingFound, Says: fmt.Sprintf("%s: %d proven, %d assumed, %d contradicted",
		many(len(f.Known.Signals), "definition", "definitions"), count[decode.Proven], count[decode.Assumed], count[decode.Contradicted])}
	if len(denied) > 0 {
		c.State, c.Says = NeedsDoing, c.Says+" by the definitions themselves: "+listed(denied)
		c.Do = "leave these definitions out or put them right: what is contradicted judges nothing"
	}
	r.add(c)
	if count[decode.Assumed] > 0 {
		r.add(Check{Name: "assumed", State: Unknown,
			Says: many(count[decode.Assumed], "definition is", "definitions are") + " assumed: nobody has shown that what they read is so",
			Do:   "hold one reading of each against a gauge or a tape, then write 'proof: proven'"})
	}
}

// decoded names what brought a value and what did not.
func (r *Report) decoded(f *Facts) {
	var read, silent, bad, asked []string
	for i := range f.Known.Signals {
		s, t := &f.Known.Signals[i], f.Heard.tally(i)
		switch {
		case t != nil && t.Valid > 0:
			read = append(read, s.Name)
		case t != nil && t.Count() > 0:
			bad = append(bad, s.Name)
		case onDemand(s):
			asked = append(asked, s.Name)
		default:
			silent = append(silent, s.Name)
		}
	}
	if len(read) > 0 {
		r.add(Check{Name: "values", State: NothingFound, Says: "values came of " + listed(read)})
	}
	if len(bad) > 0 {
		r.add(Check{Name: "bad-values", State: NeedsDoing, Says: "no valid value came of " + listed(bad),
			Do: "check these definitions and sensors: 'ridewitness look FILE --signals ...' on a recording shows what is wrong"})
	}
	if len(silent) > 0 {
		r.add(Check{Name: "no-values", State: NeedsDoing, Says: "nothing came of " + listed(silent),
			Do: "ignition on? the right bus, the right definitions for this vehicle?"})
	}
	if len(asked) > 0 {
		r.add(Check{Name: "only-asked", State: Unknown, Says: "come only while a tester asks for them: " + listed(asked),
			Do: "let the tester read them once and look again; this program asks nobody"})
	}
}

// doubts says what speaks against a definition.
func (r *Report) doubts(f *Facts) {
	for _, text := range f.Heard.Contradictions {
		r.add(Check{Name: "contradicted", State: NeedsDoing, Says: text, Do: "the definition or the sensor is wrong; what it reads judges nothing"})
	}
	for _, u := range f.Heard.Undecodable {
		r.add(Check{Name: "undecodable", State: NeedsDoing, Says: f.signalName(u.Signal) + ": " + u.Why, Do: "name its bus, or put the definition right"})
	}
	for _, o := range f.Heard.Others {
		r.add(Check{Name: "second-sender", State: NeedsDoing,
			Says: fmt.Sprintf("%s: a second sender sent %d values; the first one heard counts", f.signalName(o.Signal), o.Values), Do: "say in the definition which bus or source address is meant"})
	}
}

func (f *Facts) signalName(i decode.SignalIndex) string {
	if int(i) >= len(f.Known.Signals) {
		return ""
	}
	return f.Known.Signals[i].Name
}

// card says what the rules will miss.
func (r *Report) card(f *Facts) {
	card := f.Known.Card
	if card == nil {
		r.add(Check{Name: "job-card", State: Unknown, Says: "no job card: nobody says which corners ride on air, nor from which pressure on a spring may carry",
			Do: "name one with --jobcard; 'ridewitness help jobcard' explains"})
	} else {
		c := Check{Name: "job-card", State: NothingFound, Says: strings.Trim(card.Label+", "+card.Job, ", ")}
		if c.Says == "" {
			c.Says = "it names neither vehicle nor job"
		}
		r.add(c)
	}
	if card == nil || len(f.Known.Signals) == 0 {
		return
	}
	if lacking := f.lacking(); len(lacking) > 0 {
		r.add(Check{Name: "definitions", State: NeedsDoing, Says: "there is no definition for " + listed(lacking),
			Do: "without it the rules about them can only say 'cannot tell'"})
	}
	r.limits(f)
}

// limits names, for each number that the card lacks, the rules that need it.
func (r *Report) limits(f *Facts) {
	judge := safety.NewJudge(f.Known.Signals, f.Known.Card, nil)
	for name := safety.LimitName(0); name <= safety.LimitGreatest; name++ {
		var rules []string
		for _, rule := range safety.Rules {
			asked := rule.Asked != safety.AskedNever || slices.Contains(f.Known.Card.Ask, rule.Name)
			if asked && f.lacks(judge, rule, name) {
				rules = append(rules, rule.Name)
			}
		}
		if len(rules) > 0 {
			r.add(Check{Name: "limit", State: NeedsDoing, Says: fmt.Sprintf("the card gives no %s: what it is for ends in a warning or in 'cannot tell' (%s)", name, listed(rules)),
				Do: "write it on the card; 'ridewitness help jobcard' shows where"})
		}
	}
}

// lacks reports whether a rule can't be judged for want of a limit at one of its corners. A least pressure
// that the card does not give is good for a warning only.
func (f *Facts) lacks(judge *safety.Judge, rule *safety.Rule, name safety.LimitName) bool {
	if !slices.Contains(rule.Limits, name) {
		return false
	}
	places := []decode.Corner{decode.NoCorner}
	if rule.Scope == safety.PerCorner {
		places = f.onAir()
	}
	return slices.ContainsFunc(places, func(c decode.Corner) bool {
		return slices.ContainsFunc(judge.Thresholds(&safety.Finding{Rule: rule, Corner: c}), func(t safety.Threshold) bool {
			return t.Name == name && (!t.Known || name == safety.LimitLeast && t.From != "card")
		})
	})
}

// onAir returns the corners that ride on air: those of the card, all where it does not say.
func (f *Facts) onAir() []decode.Corner {
	var all []decode.Corner
	for _, c := range decode.Corners {
		if card := f.Known.Card; card == nil || !card.HasSprings || card.Springs[c] != nil {
			all = append(all, c)
		}
	}
	return all
}

// lacking returns pressures and heights of corners on air that no definition reads.
func (f *Facts) lacking() []string {
	var all []string
	for _, c := range f.onAir() {
		for _, q := range []decode.Quantity{decode.Pressure, decode.Height} {
			has := slices.ContainsFunc(f.Known.Signals, func(s decode.Signal) bool { return s.Corner == c && s.Quantity == q })
			if !has {
				all = append(all, c.String()+" "+q.String())
			}
		}
	}
	return all
}

// listed joins names, and counts those that would fill the screen.
func listed(names []string) string {
	const most = 12
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}
