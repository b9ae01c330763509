package scenario

import (
	"fmt"

	"ridewitness/capture"
)

// Scenario is a job to be simulated. It does not change and may be opened many times, also at once.
type Scenario struct {
	Name  string // of a built-in, or of its file
	Title string // one line

	start       capture.Stamp
	isothermal  bool
	pressures   bool // the network carries pressures
	temperature float64
	barometer   float64 // Pa
	traffic     Traffic
	steps       []step
	faults      []fault
}

// Faults says in words what is wrong in the scenario, one sentence each, in the order of its file.
// None: a proper job.
func (s *Scenario) Faults() []string {
	list := make([]string, len(s.faults))
	for i := range s.faults {
		list[i] = s.faults[i].sentence()
	}
	return list
}

// Start returns when the job begins. It is part of the scenario, never the clock of the day.
func (s *Scenario) Start() capture.Stamp { return s.start }

// Definitions returns the signal definitions of the vehicle (YAML).
func (s *Scenario) Definitions() string {
	if s.pressures {
		return wagonDefinitions
	}
	return wagonBlindDefinitions
}

// Card returns the job card (YAML).
func (s *Scenario) Card() string { return wagonCard }

// Origin is what the session facts say about where the frames come from.
const Origin = "simulated"

// Open returns a run of the scenario. Runs of one scenario and seed yield the same batches, apart
// from where they are cut.
func (s *Scenario) Open(seed uint64) (*Run, error) {
	if len(s.steps) == 0 {
		return nil, fmt.Errorf("scenario %q has no steps", s.Name)
	}
	return newRun(s, seed), nil
}
