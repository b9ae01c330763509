package safety

import (
	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/uds"
)

// HappeningKind says what a Happening tells.
type HappeningKind uint8

const (
	PhaseChanged   HappeningKind = iota + 1 // From and To are the phases before and after
	WasStanding                             // known only now: the body stood from Start to At
	CornerClosing                           // Closing began
	CornerReturn                            // Closing ended: the corner hangs again
	DescentBegan                            // Closing is the first corner's
	DescentJoined                           // Closing is one more corner's
	DescentEnded                            // the body came to rest
	AirStep                                 // Move has one more step
	AirMoveEnded                            // Move is over
	MarkSet                                 // Mark
	MarkTaken                               // Mark was taken back
	SignalGap                               // a signal of Corner and Quantity could not be relied on from Start to At
	Contradiction                           // a signal of Corner and Quantity can't be true, or is another corner's: Why
	RequestMade                             // Request is settled
	RunEnded                                // Run is over
	TesterSilent                            // the tester on Address said nothing from Start to At
	SessionChanged                          // the unit on Address is in Session now
)

// Happening is what the Vehicle tells the watchers besides samples.
type Happening struct {
	Kind     HappeningKind
	At       capture.Stamp
	Start    capture.Stamp
	Corner   decode.Corner
	Quantity decode.Quantity
	From, To Phase
	Closing  *Closing
	Move     *AirMove
	Mark     *Mark
	Request  *Request
	Run      *Run
	Address  decode.Address
	Session  *uds.Session
	Why      string // one sentence
}

// Closing is a corner's way from hanging towards its stop.
type Closing struct {
	Corner   decode.Corner
	T0       capture.Stamp // the last moment at which it still hung
	Detected capture.Stamp
	Level    float64 // hanging level, mm
	Height   Reading // by which the closing was seen
	Last     Reading // of T0; not Valid where the closing lies in a gap with nothing before it
	Least    Reading // the lowest so far
	P0       Pressure0
	Phase    Phase // before it
	Opened   bool  // the corner was seen to open in the last raise, or a mark said that it hangs
	InGap    bool  // T0 is the last height before a gap
	Blind    bool  // no fresh height: the others came down
	Jack     bool  // excused by the mark
	Descent  *Descent
	End      capture.Stamp // of it, or of its descent; 0: not yet
	Unmoved  bool          // the raw pressure did not change by one bit on the way
	raw0     uint64
}

// Pressure0 is the pressure that counts for a closing: the last valid one before it began.
type Pressure0 struct {
	Reading Reading
	Known   bool
	Fresh   bool
	Age     float64 // seconds before T0
	Warm    float64 // bar to take off, since the gas of a fresh fill is still warm
	Unseen  bool    // that fill may have come where the pressure or the height was not seen
}

// Descent is several corners closing together.
type Descent struct {
	Start    capture.Stamp // least T0
	Closings []*Closing
	Ended    bool
	Unseen   Axle // of which no height was seen when the rest was down, though it has some
}

// Step is one stretch in which the pressure of a corner moved.
type Step struct {
	From, To Reading
}

// AirMove is a bleed or a fill: steps in one direction.
type AirMove struct {
	Corner decode.Corner
	Fill   bool
	Steps  []Step
	Phase  Phase         // in which it began; unknown where nobody saw that the corner hung
	Gap    Reason        // why a part of it may have been missed; "": it was seen whole
	Until  capture.Stamp // where the part behind its last step ends that was missed; 0: none
	Ended  bool
	Height float64 // greatest change of the height meanwhile, mm; -1 where it was not seen
}

// Start returns when the move began.
func (m *AirMove) Start() capture.Stamp { return m.Steps[0].From.At }

// End returns when its last step ended.
func (m *AirMove) End() capture.Stamp { return m.Steps[len(m.Steps)-1].To.At }

// Change returns how much the pressure changed in all, in bar, without sign.
func (m *AirMove) Change() float64 {
	d := m.Steps[len(m.Steps)-1].To.Value - m.Steps[0].From.Value
	if d < 0 {
		return -d
	}
	return d
}
