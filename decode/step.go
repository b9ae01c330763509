package decode

import "math"

// Step returns the signal's step in its unit: what one unit of its raw number is worth.
func (s *Signal) Step() float64 { return math.Abs(s.Scale) }
