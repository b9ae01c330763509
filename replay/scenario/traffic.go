package scenario

import "ridewitness/capture"

// message is one identifier that a unit sends again and again.
type message struct {
	bus    capture.BusID
	id     capture.ID
	length uint8
	period int64 // ns
	phase  int64 // ns after the start of the scenario
	// write fills the payload of the n-th sending and says whether there is one.
	write func(r *Run, n uint64, data *[8]byte) bool
	noise int // 1 + index of the background payload; 0 when write is set
}

// Traffic is what else goes over the buses: identifiers that mean nothing here. The zero Traffic is
// none.
type Traffic struct {
	Identifiers int // at most MaxIdentifiers
	PerSecond   int // frames of all of them together, at most MaxPerSecond
}

// Limits of Traffic.
const (
	MaxIdentifiers = 400
	MaxPerSecond   = 20_000
)

// spareLoad is how many background frames a second one bus takes: with 230 us a frame, half of
// what it could carry.
const spareLoad = 2000

// buses returns how many buses the traffic needs, the wagon's two among them.
func (t Traffic) buses() int { return max(int(firstSpare), (t.PerSecond+spareLoad-1)/spareLoad) }

// chatter is the payload of one background identifier.
type chatter struct {
	data   [8]byte
	varies uint8 // bytes from 1 on that walk at random
}

// firstChatter is the lowest identifier of the background: what is more urgent belongs to the
// wagon. So do a few above; chatterID steps over them.
const firstChatter = 0x0C0

// taken reports whether an identifier is the wagon's own or its tester's.
func taken(id capture.ID) bool {
	switch id {
	case 0x0A8, 0x0B4, 0x152, 0x153, 0x2C6, 0x3E4, 0x3F2, testerID, unitID:
		return true
	}
	return false
}

// rates are fifths of the mean rate. Each few of them have the mean that was asked for.
var rates = [...]int64{5, 3, 7, 4, 6}

// background returns the messages of the traffic and their payloads. Some speak twice as often
// as others; together they give the wanted load.
func background(t Traffic, random *stream) ([]message, []chatter) {
	if t.Identifiers == 0 || t.PerSecond == 0 {
		return nil, nil
	}
	mean := int64(t.Identifiers) * 1e9 / int64(t.PerSecond)
	list := make([]message, 0, t.Identifiers)
	bodies := make([]chatter, t.Identifiers)
	id, gap := capture.ID(firstChatter), uint64(0x680-firstChatter)/uint64(t.Identifiers)
	for i := range t.Identifiers {
		for id++; taken(id); id++ {
		}
		period := mean * 5 / rates[i%len(rates)]
		list = append(list, message{
			bus: capture.BusID(i % t.buses()), id: id, length: uint8(4 + random.below(5)),
			period: period, phase: int64(random.below(uint64(period))), noise: i + 1,
		})
		for b := range bodies[i].data {
			bodies[i].data[b] = byte(random.next())
		}
		bodies[i].varies = uint8(random.below(4))
		id += capture.ID(random.below(gap))
	}
	return list, bodies
}

// write fills a payload: a counter, bytes that walk, bytes that stay, and a sum at the end.
func (c *chatter) write(n uint64, length uint8, random *stream, data *[8]byte) {
	if c.varies > 0 && n&3 == 0 {
		c.data[1+n>>2%uint64(c.varies)] += byte(random.next()&3) - 1
	}
	*data = c.data
	data[0] = byte(n & 0x0F)
	var sum byte
	for _, b := range data[:length-1] {
		sum += b
	}
	data[length-1] = sum
	clear(data[length:])
}
