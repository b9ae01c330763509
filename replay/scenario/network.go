package scenario

import (
	"fmt"
	"slices"

	"ridewitness/capture"
)

// bus is one bus and the capture's own counts of it.
type bus struct {
	busy     int64 // ns since the start until which a frame is on it
	received int64
	dropped  int64
	missing  uint64 // frames lost since the last one that was kept
}

// due is a message and when it wants to be sent.
type due struct {
	at    int64
	which int
}

// before orders by time, then by the place in the list, which stands for priority on the bus.
func (d due) before(e due) bool { return d.at < e.at || d.at == e.at && d.which < e.which }

// network sends what is due in the order of time. Everything periodic waits in one heap; single
// frames of the tester lie in a list of their own.
type network struct {
	messages []message
	bodies   []chatter
	sent     []uint64 // per message
	queue    []due    // a binary heap
	payload  [8]byte  // of the frame being sent; a local one would cost memory per frame
	single   []capture.Frame
	buses    []bus
	random   stream // jitter and background payloads
	losses   stream
	asleep   bool
	upTo     int64 // frames due before it may go out
	reportAt int64

	lossy    bool
	lossBus  int     // -1: every bus
	lossPart float64 // share of the frames
	unseen   bool    // nothing is recorded
}

// open fills the heap. The order of messages decides who wins when two want to send at once.
func (n *network) open(own []message, t Traffic, seed uint64) {
	n.random, n.losses = newStream(seed, "network"), newStream(seed, "losses")
	shape := newStream(seed, "traffic")
	others, bodies := background(t, &shape)
	n.messages = append(own, others...)
	slices.SortStableFunc(n.messages, func(a, b message) int { return int(a.id) - int(b.id) })
	n.bodies = bodies
	n.sent = make([]uint64, len(n.messages))
	n.queue = make([]due, 0, len(n.messages))
	n.buses = make([]bus, t.buses())
	n.lossBus = -1
	n.wake(0)
}

// sleep silences the buses.
func (n *network) sleep() { n.asleep = true }

// wake starts every message anew from a time on.
func (n *network) wake(at int64) {
	n.asleep = false
	n.queue = n.queue[:0]
	for i := range n.messages {
		m := &n.messages[i]
		missed := max(0, (at-m.phase+m.period-1)/m.period)
		n.sent[i] = uint64(missed)
		n.queue = append(n.queue, due{})
		n.rise(len(n.queue)-1, due{m.phase + missed*m.period, i})
	}
}

// rise puts d into the heap from a leaf upwards.
func (n *network) rise(i int, d due) {
	for i > 0 {
		parent := (i - 1) / 2
		if !d.before(n.queue[parent]) {
			break
		}
		n.queue[i] = n.queue[parent]
		i = parent
	}
	n.queue[i] = d
}

// sink puts d into the heap from the root downwards.
func (n *network) sink(d due) {
	i := 0
	for {
		child := 2*i + 1
		if child >= len(n.queue) {
			break
		}
		if child+1 < len(n.queue) && n.queue[child+1].before(n.queue[child]) {
			child++
		}
		if !n.queue[child].before(d) {
			break
		}
		n.queue[i] = n.queue[child]
		i = child
	}
	n.queue[i] = d
}

// emit sends what is due and reports whether the batch is full.
func (n *network) emit(r *Run) (full bool) {
	for {
		if len(r.out.Frames) == cap(r.out.Frames) {
			return true
		}
		periodic := n.periodic()
		switch {
		case len(n.single) > 0 && int64(n.single[0].At) < min(periodic, n.upTo):
			n.sendSingle(r)
		case periodic < n.upTo:
			n.sendPeriodic(r)
		default:
			return false
		}
	}
}

// never is later than any frame.
const never = int64(1<<63 - 1)

// periodic returns when the next periodic message is due.
func (n *network) periodic() int64 {
	if n.asleep || len(n.queue) == 0 {
		return never
	}
	return n.queue[0].at
}

// sendSingle sends the first frame of the list, or lets it wait for its bus.
func (n *network) sendSingle(r *Run) {
	f := n.single[0]
	if busy := n.buses[f.Bus].busy; busy > int64(f.At) {
		n.single[0].At = capture.Stamp(busy)
		return
	}
	n.single = slices.Delete(n.single, 0, 1)
	n.put(r, int64(f.At), f.Bus, f.ID, f.Len, (*[8]byte)(f.Data[:8]))
}

// later queues a single frame; At counts from the start of the scenario. Frames of one time stay in
// the order in which they were queued.
func (n *network) later(f capture.Frame) {
	i := len(n.single)
	for i > 0 && n.single[i-1].At > f.At {
		i--
	}
	n.single = slices.Insert(n.single, i, f)
}

// sendPeriodic sends the message at the root, or lets it wait for its bus.
func (n *network) sendPeriodic(r *Run) {
	d := n.queue[0]
	m := &n.messages[d.which]
	if busy := n.buses[m.bus].busy; busy > d.at {
		d.at = busy
		n.sink(d)
		return
	}
	count := n.sent[d.which]
	n.sent[d.which]++
	n.payload = [8]byte{}
	send := true
	if m.noise > 0 {
		n.bodies[m.noise-1].write(count, m.length, &n.random, &n.payload)
	} else {
		send = m.write(r, count, &n.payload)
	}
	at := d.at
	// Units are a little late, at random, but keep their rhythm: up to 2 % of a period.
	jitter := int64(n.random.below(uint64(m.period/50) + 1))
	d.at = m.phase + int64(count+1)*m.period + jitter
	d.at = max(d.at, at+1)
	n.sink(d)
	if send {
		n.put(r, at, m.bus, m.id, m.length, &n.payload)
	}
}

// put takes a frame off the bus into the batch, if the capture got hold of it.
func (n *network) put(r *Run, at int64, on capture.BusID, id capture.ID, length uint8, data *[8]byte) {
	b := &n.buses[on]
	b.busy = at + frameNS
	if n.unseen {
		return
	}
	if n.lossy && (n.lossBus < 0 || n.lossBus == int(on)) && n.losses.uniform() < n.lossPart {
		b.missing++
		b.dropped++
		return
	}
	if b.missing > 0 {
		n.lost(r, at, on)
	}
	b.received++
	i := len(r.out.Frames)
	r.out.Frames = r.out.Frames[:i+1]
	f := &r.out.Frames[i]
	*f = capture.Frame{At: r.stamp(at), ID: id, Bus: on, Len: length, Flags: capture.Inbound}
	*(*[8]byte)(f.Data[:8]) = *data
}

// lost says how many frames of a bus are missing before the next one.
func (n *network) lost(r *Run, at int64, id capture.BusID) {
	b := &n.buses[id]
	r.out.Events = append(r.out.Events, capture.Event{
		At: r.stamp(at), Kind: capture.EventLoss, Bus: id, Index: len(r.out.Frames), Count: b.missing,
	})
	b.missing = 0
}

// flush says what is missing at the end.
func (n *network) flush(r *Run) {
	for i := range n.buses {
		if n.buses[i].missing > 0 {
			n.lost(r, r.at, capture.BusID(i))
		}
	}
}

// report says what the capture counted on each bus.
func (n *network) report(r *Run) {
	for i := range n.buses {
		b := &n.buses[i]
		r.event(capture.Event{
			Kind: capture.EventCounters, Bus: capture.BusID(i), Received: b.received, Dropped: b.dropped,
		})
	}
}

// busName returns the name of a bus by its number.
func busName(i int) string { return fmt.Sprintf("can%d", i) }
