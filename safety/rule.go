package safety

import (
	"errors"
	"fmt"
	"regexp"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

// Scope says what a rule is asked of: each corner on air, each axle, or the vehicle.
type Scope uint8

const (
	PerCorner Scope = iota + 1
	PerAxle
	PerVehicle
)

// Asking says when a rule is asked without the card or the user asking for it. Only rules that are
// asked decide the outcome of a session, but for one that is broken.
type Asking uint8

const (
	AskedNever  Asking = iota // only by the card's `ask` or by --ask
	AskedAlways               // of every corner on air
	AskedByMark               // where its mark is there
	AskedByCard               // where the card has the data
)

// Rule is one safety rule: a constant value that knows no driver.
type Rule struct {
	Name     string
	Title    string // what it is about, in a few words
	Doc      string // what breaks it, what holds it, when nothing can be told
	Source   string // of the rule: a standard, or "common practice, no source"
	Severity Severity
	Scope    Scope
	Asked    Asking
	Takes    []decode.Quantity // samples that its watcher is given
	Limits   []LimitName       // thresholds without which it cannot be judged
	Watch    func(*Pass) Watcher
}

// Watcher follows one corner, axle or vehicle for one rule. It keeps a few numbers, reads no clock
// and writes nothing but through Pass.Report.
type Watcher interface {
	// Sample is given each valid reading of the quantities that the rule takes, at its corner.
	Sample(Reading)
	// Happen is given everything that happens to the vehicle.
	Happen(Happening)
	// Finish is called once, at the end of the recording.
	Finish(at capture.Stamp)
}

// deaf is a Watcher that hears nothing; watchers embed it and override what they need.
type deaf struct{}

func (deaf) Sample(Reading)       {}
func (deaf) Happen(Happening)     {}
func (deaf) Finish(capture.Stamp) {}

// Pass hands a rule its corner or axle, the vehicle, and the way to report.
type Pass struct {
	Rule   *Rule
	Corner decode.Corner
	Axle   Axle

	vehicle  *Vehicle
	judge    *Judge
	applies  bool
	marked   bool    // the rule is asked by a mark
	asking   []*Mark // the marks that it is asked by
	verdicts []Verdict
	dropped  int
}

// maxVerdicts bounds what is kept of one rule at one corner; the rest is counted and said.
const maxVerdicts = 100

// Applies says that the rule has something to judge, though it may not be able to. Without it and
// without a verdict the rule does not appear.
func (p *Pass) Applies() { p.applies = true }

// Marked says that a mark which asks for the rule was there. The Judge forgets it when the mark is
// taken back; nil is a mark that the watcher itself has looked up at the end.
func (p *Pass) Marked(m *Mark) {
	p.applies, p.marked = true, true
	if m != nil {
		p.asking = append(p.asking, m)
	}
}

// unmarked forgets a mark that was taken back.
func (p *Pass) unmarked(m *Mark) {
	i := slices.Index(p.asking, m)
	if i < 0 {
		return
	}
	p.asking = slices.Delete(p.asking, i, i+1)
	if len(p.asking) == 0 {
		p.marked, p.applies = false, len(p.verdicts) > 0
	}
}

// Report gives a verdict. The Judge checks it before anybody sees it. What is broken is told at once, also
// when there is no room left to keep it.
func (p *Pass) Report(v Verdict) {
	p.applies = true
	if len(p.verdicts) == maxVerdicts {
		p.dropped++
	} else {
		p.verdicts = append(p.verdicts, v)
	}
	if v.Outcome == Broken && p.judge.Alarm != nil {
		if f := p.judge.check(p, v); f.Outcome == Broken {
			p.judge.Alarm(f)
		}
	}
}

// Limit returns a threshold as it counts at the pass's corner.
func (p *Pass) Limit(name LimitName) Threshold { return p.vehicle.limits.Get(name, p.Corner) }

// wanted reports whether the card or the user asked for the rule by its name.
func (p *Pass) wanted() bool { return p.judge.ask[p.Rule.Name] }

// corner returns what is known of the pass's corner.
func (p *Pass) corner() *corner { return p.vehicle.corners[p.Corner] }

// mine reports whether a happening is about the pass's corner.
func (p *Pass) mine(h Happening) bool { return h.Corner == p.Corner }

// meant reports whether a mark speaks of the pass's corner.
func (p *Pass) meant(m *Mark) bool {
	for _, c := range p.vehicle.meant(m) {
		if c.id == p.Corner {
			return true
		}
	}
	return false
}

var ruleName = regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)

// ValidateRules reports every rule that is not whole: a name twice, no doc, no source, no watcher,
// an unknown limit.
func ValidateRules(rules []*Rule) error {
	var errs []error
	seen := map[string]bool{}
	for _, r := range rules {
		bad := func(what string) { errs = append(errs, fmt.Errorf("rule %s: %s", r.Name, what)) }
		if !ruleName.MatchString(r.Name) || seen[r.Name] {
			bad("the name is doubled or not in lower case with hyphens")
		}
		seen[r.Name] = true
		if r.Title == "" || r.Doc == "" || r.Source == "" {
			bad("title, doc or source is missing")
		}
		if r.Watch == nil || r.Scope == 0 {
			bad("watcher or scope is missing")
		}
		for _, l := range r.Limits {
			if l >= limitCount {
				bad("unknown limit " + l.String())
			}
		}
	}
	return errors.Join(errs...)
}
