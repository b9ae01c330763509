package link

import (
	"errors"
	"syscall"
	"time"

	"ridewitness/capture"
)

const (
	// asking is how long an answer of the kernel about links and rules is good for.
	asking = time.Second
	// patience is how long the kernel is given to find room for a frame.
	patience = 5 * time.Millisecond
	// rest is waited before it is tried again.
	rest = 100 * time.Microsecond
)

// Sender puts frames onto virtual links. It is not for concurrent use.
type Sender struct {
	ports    []*port
	buses    [capture.MaxBuses]*port // by the numbers of the stream
	unmapped uint64
	ask      func() (network, error)
	asked    time.Time
	record   [fdLength]byte
}

// port is one link that is sent on.
type port struct {
	device device // as it was when the socket was bound to it
	count  Count
	out    outlet
}

// outlet takes frames off to a link.
type outlet interface {
	put(record []byte) error
	close() error
}

// Open asks the kernel for the links and opens a socket on each. The error is a *RefusedError where a
// link is refused. Close it.
func Open(mapping []Map) (*Sender, error) { return open(mapping, askKernel, openOutlet) }

func open(mapping []Map, ask func() (network, error), outletOf func(index int) (outlet, error)) (*Sender, error) {
	if err := checkMap(mapping); err != nil {
		return nil, err
	}
	n, err := ask()
	if err != nil {
		return nil, &RefusedError{Err: err}
	}
	s := &Sender{ask: ask}
	for _, m := range mapping {
		d, err := n.admit(m.To)
		if err == nil {
			err = s.add(m, d, outletOf)
		}
		if err != nil {
			return nil, errors.Join(&RefusedError{Link: m.To, Err: err}, s.Close())
		}
	}
	// What was asked before the sockets were bound says nothing of what they are bound to.
	if err := s.Check(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Sender) add(m Map, d device, outletOf func(index int) (outlet, error)) error {
	out, err := outletOf(d.index)
	if err != nil {
		return err
	}
	s.ports = append(s.ports, &port{device: d, count: Count{Map: m, Kind: d.kind}, out: out})
	return nil
}

// Check asks the kernel anew whether frames may be put onto the links. The error is a *RefusedError.
// Send does it by itself once a second; whoever begins to play does it then.
func (s *Sender) Check() error {
	n, err := s.ask()
	if err != nil {
		return &RefusedError{Err: err}
	}
	for _, p := range s.ports {
		d, err := n.admit(p.device.name)
		if err == nil && d.index != p.device.index {
			err = ErrNoLink // another one has taken its name
		}
		if err != nil {
			return &RefusedError{Link: p.device.name, Err: err}
		}
	}
	s.asked = time.Now()
	return nil
}

// CarriesFD reports whether the link of a bus carries FD frames; true for a bus that has none.
func (s *Sender) CarriesFD(bus string) bool {
	p := s.port(bus)
	return p == nil || p.device.mtu >= fdLength
}

// Send puts the frames of a batch onto the links of their buses, in order. What can't go is counted:
// see Counts. The error is a *RefusedError and final: a link was refused since, is gone, or carries no
// FD frames. Send is the Take of a replay.Player.
func (s *Sender) Send(b *capture.Batch) error {
	told := 0
	for i := range b.Frames {
		for ; told < len(b.Events) && b.Events[told].Index <= i; told++ {
			s.learn(&b.Events[told])
		}
		if err := s.send(&b.Frames[i]); err != nil {
			return err
		}
	}
	for ; told < len(b.Events); told++ {
		s.learn(&b.Events[told])
	}
	return nil
}

// Pass learns the names of the buses in a batch and sends nothing. It is the Skip of a replay.Player.
func (s *Sender) Pass(b *capture.Batch) error {
	for i := range b.Events {
		s.learn(&b.Events[i])
	}
	return nil
}

// learn takes the name of a bus.
func (s *Sender) learn(e *capture.Event) {
	if e.Kind == capture.EventBus && int(e.Bus) < len(s.buses) {
		s.buses[e.Bus] = s.port(e.Name)
	}
}

func (s *Sender) port(bus string) *port {
	for _, p := range s.ports {
		if p.count.From == bus {
			return p
		}
	}
	return nil
}

func (s *Sender) send(f *capture.Frame) error {
	var p *port
	if int(f.Bus) < len(s.buses) {
		p = s.buses[f.Bus]
	}
	switch {
	case p == nil:
		s.unmapped++
		return nil
	case f.Flags.Has(capture.Error):
		p.count.Errors++
		return nil
	case f.Flags.Has(capture.Cut):
		p.count.Cut++
		return nil
	case f.Flags.Has(capture.FD) && p.device.mtu < fdLength:
		return &RefusedError{Link: p.device.name, Err: ErrNoFD}
	}
	if time.Since(s.asked) >= asking {
		if err := s.Check(); err != nil {
			return err
		}
	}
	return p.put(record(f, &s.record))
}

// put hands a frame to the kernel, again for a while where it has no room.
func (p *port) put(record []byte) error {
	var begun time.Time
	for {
		err := p.out.put(record)
		switch {
		case err == nil:
			p.count.Sent++
			return nil
		case errors.Is(err, syscall.EINTR):
			continue
		case !errors.Is(err, syscall.ENOBUFS) && !errors.Is(err, syscall.EAGAIN):
			return &RefusedError{Link: p.device.name, Err: err}
		case begun.IsZero():
			begun = time.Now()
		case time.Since(begun) >= patience:
			p.count.Refused++
			return nil
		}
		time.Sleep(rest)
	}
}

// Counts says what became of the frames so far.
func (s *Sender) Counts() Counts {
	c := Counts{Unmapped: s.unmapped}
	for _, p := range s.ports {
		c.Links = append(c.Links, p.count)
	}
	return c
}

// Close closes the sockets.
func (s *Sender) Close() error {
	var all error
	for _, p := range s.ports {
		all = errors.Join(all, p.out.close())
	}
	s.ports = nil
	return all
}
