package prepare

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"ridewitness/capture/host"
	"ridewitness/capture/socketcan"
)

// State is how a check ended. The zero value is not known.
type State uint8

const (
	Unknown    State = iota // nobody knows: it could not be looked at, or looking does not tell
	NeedsDoing              // something needs doing
	NothingFound
)

var stateNames = [...]string{"unknown", "needs-doing", "nothing-found"}

// String returns the word used in JSON.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return stateNames[Unknown]
}

// MarshalText implements encoding.TextMarshaler.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Check is one thing that was looked at.
type Check struct {
	Name     string   `json:"name"`  // what was looked at: link, silent, disk
	About    string   `json:"about"` // the bus; "" where it is about no single one
	State    State    `json:"state"`
	Says     string   `json:"says"`               // what is so
	Do       string   `json:"do,omitempty"`       // what to do about it
	Commands []string `json:"commands,omitempty"` // of the operating system, with which people do it
}

// Facts are what was gathered. What is zero is not known.
type Facts struct {
	Now       time.Time
	Clock     host.Clock
	Stack     error             // why there are no CAN sockets; nil: there are
	Links     []socketcan.Facts // every CAN link of the machine
	LinksErr  error             // why they could not be listed
	Buses     []Bus             // those that were named
	NotSilent bool              // links that are not listen-only were allowed
	Heard     *Heard            // what came meanwhile; nil: nobody listened
	Known     Known
	Folder    Folder
	Power     host.Power
	Sound     Sound
	Screen    Screen
}

// Report is what the checks say: schema ridewitness/prepare/1.
type Report struct {
	Schema   string       `json:"schema"`
	At       string       `json:"at"`      // RFC 3339, by the machine's clock
	Outcome  State        `json:"outcome"` // needs-doing or nothing-found
	Findings int          `json:"findings"`
	Unknown  int          `json:"unknown"` // checks that end in Unknown
	Checks   []Check      `json:"checks"`
	Buses    []BusFacts   `json:"buses"`
	Signals  []SignalFact `json:"signals"`
	Disk     DiskFacts    `json:"disk"`
	Caution  string       `json:"caution"`
}

// Schema names the JSON form of a Report.
const Schema = "ridewitness/prepare/1"

// New works out what the facts say.
func New(f *Facts) *Report {
	r := &Report{Schema: Schema, At: f.Now.Format(time.RFC3339), Buses: []BusFacts{}, Signals: []SignalFact{}}
	r.kernel(f)
	for i := range f.Buses {
		r.bus(f, &f.Buses[i])
	}
	r.signals(f)
	r.card(f)
	r.clock(f)
	r.disk(f)
	r.power(f)
	r.sound(f)
	r.screen(f)
	for _, c := range r.Checks {
		switch c.State {
		case NeedsDoing:
			r.Findings++
		case Unknown:
			r.Unknown++
		}
	}
	if r.Outcome = NothingFound; r.Findings > 0 {
		r.Outcome = NeedsDoing
	}
	r.Caution = caution()
	return r
}

func (r *Report) add(c Check) { r.Checks = append(r.Checks, c) }

// kernel says whether the system has CAN sockets, and, where no bus was named, which links there are.
func (r *Report) kernel(f *Facts) {
	r.add(sockets(f.Stack))
	if len(f.Buses) > 0 {
		return
	}
	links := Check{Name: "buses", State: Unknown}
	switch {
	case f.LinksErr != nil:
		links.Says = "no bus was named, and the links of this machine are not known: " + f.LinksErr.Error()
	case len(f.Links) == 0:
		links.State = NeedsDoing
		links.Says = "no bus was named, and this machine has no CAN link"
		links.Do = "plug the adapter in, see that its driver is loaded, and look again:"
		links.Commands = []string{"ip -details link show type can"}
	default:
		links.Says = "no bus was named, so nobody listened"
		links.Do = "name those of the job:"
		for i := range f.Links {
			links.Commands = append(links.Commands, "ridewitness prepare "+f.Links[i].Name)
		}
	}
	r.add(links)
	for i := range f.Links {
		r.add(Check{Name: "link", About: f.Links[i].Name, State: Unknown, Says: "not listened to: " + linkWords(&f.Links[i])})
	}
}

// sockets says whether the system has CAN sockets; err is why not.
func sockets(err error) Check {
	if err == nil {
		return Check{Name: "kernel", State: NothingFound, Says: "it has CAN sockets"}
	}
	c := Check{Name: "kernel", State: NeedsDoing, Says: "no bus can be recorded here: " + causeOf(err),
		Do: "read the bus on another machine, and look here at what it sends through a pipe:", Commands: []string{"ridewitness look -"}}
	switch hint := hintOf(err); {
	case errors.Is(err, socketcan.ErrNoStack):
		c.Do = "load them; or " + c.Do
		c.Commands = append([]string{"modprobe can-raw"}, c.Commands...)
	case hint != "":
		c.Do = hint + "; or " + c.Do
	}
	return c
}

// about names the checks that ended so, in order and once each.
func (r *Report) about(state State) []string {
	var names []string
	for _, c := range r.Checks {
		name := c.Name
		if c.About != "" {
			name = c.About + " " + c.Name
		}
		if c.State == state && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// many is a number with its noun.
func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
