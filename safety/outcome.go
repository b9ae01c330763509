package safety

import "fmt"

// Outcome is what a rule says. The zero value is CannotTell.
type Outcome uint8

const (
	CannotTell Outcome = iota
	Held
	Broken
)

var outcomeNames = [...]string{"cannot-tell", "held", "broken"}

// String returns the word used in reports.
func (o Outcome) String() string { return nameOf(outcomeNames[:], uint8(o), "Outcome") }

// MarshalText implements encoding.TextMarshaler.
func (o Outcome) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// worse orders outcomes: broken outweighs cannot tell, which outweighs held.
func (o Outcome) worse(than Outcome) bool { return o.rank() > than.rank() }

func (o Outcome) rank() int { return [...]int{1, 0, 2}[o] }

// Severity is how much a broken rule matters.
type Severity uint8

const (
	Advice  Severity = iota // the quality of the work; never decides the outcome of a session
	Warning                 // could end in death, injury or a come-back
	Danger                  // will end badly unless somebody stops
)

var severityNames = [...]string{"advice", "warning", "danger"}

// String returns the word used in reports.
func (s Severity) String() string { return nameOf(severityNames[:], uint8(s), "Severity") }

// MarshalText implements encoding.TextMarshaler.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Class is what a claim rests on. Claims of two classes never share a sentence.
type Class uint8

const (
	Seen      Class = iota // frames
	Said                   // marks and the job card
	WorkedOut              // a model, with its interval
)

var classNames = [...]string{"seen", "said", "worked-out"}

// String returns the word used in reports.
func (c Class) String() string { return nameOf(classNames[:], uint8(c), "Class") }

// MarshalText implements encoding.TextMarshaler.
func (c Class) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Reason says why a rule cannot tell. The empty Reason is none.
type Reason string

const (
	NoSignal          Reason = "no-signal"
	NoMark            Reason = "no-mark"
	NoLimit           Reason = "no-limit"
	Stale             Reason = "stale"
	Invalid           Reason = "invalid"
	IsContradicted    Reason = "contradicted"
	Gap               Reason = "gap"
	InsideUncertainty Reason = "inside-uncertainty"
	NotObservable     Reason = "not-observable"
	BusAsleep         Reason = "bus-asleep"
)

// Phase is what is known of the whole body. The zero value is unknown: for an alarm and for
// "broken" it counts as hanging, for "held" it never does.
type Phase uint8

const (
	PhaseUnknown Phase = iota
	Standing
	Rising // two corners opened together and the body has not come to rest yet
	Hanging
)

var phaseNames = [...]string{"unknown", "standing", "rising", "hanging"}

// String returns the word shown on screens.
func (p Phase) String() string { return nameOf(phaseNames[:], uint8(p), "Phase") }

func nameOf(names []string, i uint8, kind string) string {
	if int(i) < len(names) {
		return names[i]
	}
	return fmt.Sprintf("%s(%d)", kind, i)
}
