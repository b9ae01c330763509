package prepare

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"ridewitness/capture/socketcan"
)

// Bus is what is known of a bus that was named.
type Bus struct {
	Name   string
	Facts  socketcan.Facts // zero where there is no such link
	Err    error           // why it could not be listened to; nil: somebody listened
	Buffer int             // bytes that the kernel gave for waiting frames
	Forced bool            // beyond the system's limit
	Holds  int             // frames that can wait in it
}

// BusFacts are the numbers of a bus in the JSON form. null is not known.
type BusFacts struct {
	Name        string   `json:"name"`
	Kind        string   `json:"kind"`
	CAN         bool     `json:"can"`
	Up          bool     `json:"up"`
	Virtual     bool     `json:"virtual"`
	Mode        string   `json:"mode"`
	Controller  string   `json:"controller"`
	FD          bool     `json:"fd"`
	BitRate     *uint32  `json:"bit_rate"`      // bit/s
	DataBitRate *uint32  `json:"data_bit_rate"` // bit/s
	Ohms        *uint16  `json:"termination_ohms"`
	Buffer      *int     `json:"buffer_bytes"`
	Forced      *bool    `json:"buffer_forced"`
	BufferMS    *float64 `json:"buffer_ms"` // of a full bus
	Listened    *float64 `json:"listened_s"`
	Frames      *uint64  `json:"frames"`
	PerSecond   *float64 `json:"frames_per_s"`
	ErrorFrames *uint64  `json:"error_frames"`
	Lost        *uint64  `json:"lost"`
}

// Length of the shortest frames in bits, with the pause behind them and without a stuff bit, so that no
// bus carries more of them (ISO 11898-1). A frame with an 11-bit identifier and no data: 1 start, 11
// identifier, 3 control, 4 length, 15 checksum and 1 delimiter, 2 acknowledge, 7 end, 3 pause. Of an FD
// frame without data, 29 bits run at the bit rate and 33 at that of the data phase.
const (
	shortestClassic   = 47
	shortestFDSlow    = 29
	shortestFDFast    = 33
	assumedRate       = 1_000_000 // bit/s, where nobody knows: the fastest a classic bus may be
	leastBufferMillis = 100       // below it a busy laptop loses frames; our choice, no source
)

// fullBus returns the most frames a second that a bus can carry.
func fullBus(f *socketcan.Facts) float64 {
	rate := float64(f.BitRate)
	if rate == 0 {
		rate = assumedRate
	}
	most := rate / shortestClassic
	if f.FD() && f.DataBitRate > 0 {
		most = max(most, 1/(shortestFDSlow/rate+shortestFDFast/float64(f.DataBitRate)))
	}
	return most
}

// holdsMillis returns how long of a full bus fits into what the kernel gave for waiting frames.
func (b *Bus) holdsMillis() float64 { return float64(b.Holds) / fullBus(&b.Facts) * 1000 }

// bus looks at one bus.
func (r *Report) bus(f *Facts, b *Bus) {
	facts := factsOf(b)
	if b.Facts.Name == "" || !b.Facts.CAN {
		r.Buses = append(r.Buses, facts)
		r.add(absent(f, b))
		return
	}
	r.add(link(b))
	if !b.Facts.Virtual() {
		r.add(silent(f, b))
		r.add(controller(b))
	}
	if heard := f.Heard.of(b.Name); b.Err == nil && heard != nil {
		facts.hear(b, f.Heard.Listened, heard)
		r.add(buffer(b))
		r.add(traffic(f, b, heard))
	} else {
		r.add(unheard(b))
	}
	r.Buses = append(r.Buses, facts)
}

// absent is a name that is no CAN link. What the system has no CAN sockets for was said already.
func absent(f *Facts, b *Bus) Check {
	c := Check{Name: "link", About: b.Name, State: NeedsDoing, Says: "no such link on this machine"}
	switch {
	case b.Err != nil && !errors.Is(b.Err, socketcan.ErrNoLink):
		c.Says = causeOf(b.Err)
	case len(f.Links) > 0:
		c.Says += "; the CAN links here: " + names(f.Links)
	}
	c.Do = "see that the adapter is plugged in and its driver loaded; the name must be that of a CAN link:"
	c.Commands = []string{"ip -details link show type can"}
	return c
}

// link says what the link is, and that it is up.
func link(b *Bus) Check {
	c := Check{Name: "link", About: b.Name, State: NothingFound, Says: linkWords(&b.Facts)}
	switch {
	case !b.Facts.Up:
		c.State, c.Do = NeedsDoing, "bring it up. ridewitness sets up no link, you do:"
		if b.Facts.Virtual() {
			c.Commands = []string{"ip link set " + b.Name + " up"}
			break
		}
		c.Do = "bring it up, listen-only and at the bit rate of the vehicle's bus in place of RATE. ridewitness sets up no link, you do:"
		c.Commands = []string{"ip link set " + b.Name + " type can bitrate RATE listen-only on", "ip link set " + b.Name + " up"}
	case b.Facts.Virtual():
		c.State, c.Do = NeedsDoing, "for a job name the link of the adapter"
	case b.Facts.BitRate == 0:
		c.State, c.Do = Unknown, "see yourself that it is that of the vehicle's bus"
	}
	return c
}

// linkWords describe a link.
func linkWords(f *socketcan.Facts) string {
	kind := "an adapter"
	switch {
	case f.Virtual():
		kind = "a virtual link inside this computer: nothing on it comes from a vehicle"
	case f.Kind != "" && f.Kind != socketcan.KindAdapter:
		kind = "an adapter of the kind " + f.Kind
	}
	up := "down"
	if f.Up {
		up = "up"
	}
	formats := "classic frames only"
	if f.FD() {
		formats = "classic and FD frames"
	}
	parts := []string{kind, up, formats}
	if f.Virtual() {
		return strings.Join(parts, ", ")
	}
	parts = append(parts, rateWords(f))
	if f.Ohms > 0 {
		parts = append(parts, fmt.Sprintf("its own %d ohm termination is switched on", f.Ohms))
	} else {
		parts = append(parts, "termination off or not told")
	}
	return strings.Join(parts, ", ")
}

// rateWords say how fast a bus is said to be. That the vehicle's bus is as fast, nobody knows before a
// frame was heard.
func rateWords(f *socketcan.Facts) string {
	if f.BitRate == 0 {
		return "bit rate not known"
	}
	words := fmt.Sprintf("%g kbit/s", float64(f.BitRate)/1000)
	if f.FD() && f.DataBitRate > 0 {
		words += fmt.Sprintf(" and %g kbit/s for data", float64(f.DataBitRate)/1000)
	}
	return words
}

// silent says whether the controller keeps from acknowledging what it hears.
func silent(f *Facts, b *Bus) Check {
	c := Check{Name: "silent", About: b.Name, State: NothingFound, Says: "listen-only: it puts nothing on the bus"}
	if b.Facts.Mode == socketcan.ModeListenOnly {
		return c
	}
	c.Says = "it is not listen-only: its controller acknowledges what it hears, and disturbs the bus where its bit rate is wrong"
	if b.Facts.Mode != socketcan.ModeActive {
		c.State, c.Says = Unknown, "the link does not say whether it is listen-only"
	}
	if f.NotSilent {
		c.Says += "; --not-silent allows that"
		return c
	}
	c.State, c.Do = NeedsDoing, "make it listen-only. ridewitness sets up no link, you do:"
	c.Commands = []string{"ip link set " + b.Name + " down", "ip link set " + b.Name + " type can listen-only on", "ip link set " + b.Name + " up"}
	return c
}

// controller says how the adapter's controller finds the bus (linux/can/netlink.h).
func controller(b *Bus) Check {
	f := &b.Facts
	c := Check{Name: "controller", About: b.Name, State: NothingFound, Says: fmt.Sprintf("its state is %s", f.State)}
	if f.TxErrors > 0 || f.RxErrors > 0 {
		c.Says += fmt.Sprintf("; error counters: sending %d, receiving %d", f.TxErrors, f.RxErrors)
	}
	switch f.State {
	case socketcan.StateErrorActive:
	case socketcan.StateUnknown:
		c.State, c.Says = Unknown, "the link does not tell the state of its controller"
	case socketcan.StateStopped:
		c.State, c.Do = NeedsDoing, "it runs once the link is up"
	default:
		c.State, c.Do = NeedsDoing, wiring
	}
	return c
}

// wiring is what to look at where a bus is heard badly.
const wiring = "check the bit rate, the plug, ground, and that the bus has its two terminations"

// buffer says how many frames can wait for a program that is late.
func buffer(b *Bus) Check {
	rate := "at its bit rate"
	if b.Facts.BitRate == 0 {
		rate = "at 1 Mbit/s"
	}
	c := Check{Name: "buffer", About: b.Name, State: NothingFound}
	how := "cut to the system's limit"
	if b.Forced {
		how = "as large as asked for"
	}
	c.Says = fmt.Sprintf("%s for waiting frames, %s: %.0f ms of a full bus %s", bytesWords(uint64(max(b.Buffer, 0))), how, b.holdsMillis(), rate)
	if b.holdsMillis() < leastBufferMillis {
		c.State, c.Do = NeedsDoing, "raise the system's limit, or frames are lost when the laptop is busy:"
		c.Commands = []string{fmt.Sprintf("sysctl -w net.core.rmem_max=%d", socketcan.DefaultBuffer)}
	}
	return c
}

// traffic says what came while somebody listened.
func traffic(f *Facts, b *Bus, h *HeardBus) Check {
	seconds := f.Heard.Listened.Seconds()
	c := Check{Name: "traffic", About: b.Name, State: NothingFound,
		Says: fmt.Sprintf("%d frames in %s, %.0f a second", h.Frames, shortTime(f.Heard.Listened), float64(h.Frames)/seconds)}
	switch {
	case h.Lost > 0:
		c.State, c.Says = NeedsDoing, fmt.Sprintf("%s; %d more were lost", c.Says, h.Lost)
		c.Do = "end what else keeps this laptop busy"
	case h.Errors > 0:
		c.State, c.Says = NeedsDoing, fmt.Sprintf("%s; %d error frames besides", c.Says, h.Errors)
		c.Do = wiring
	case h.Frames == 0:
		c.State, c.Says = NeedsDoing, fmt.Sprintf("nothing was heard in %s", shortTime(f.Heard.Listened))
		c.Do = "ignition on? bus awake? plug in? the right bus, at the right bit rate? Then listen again, longer: --listen 10s"
	}
	return c
}

// unheard says why nobody listened.
func unheard(b *Bus) Check {
	why := "nobody listened"
	if b.Err != nil {
		why = "not listened to: " + causeOf(b.Err)
	}
	return Check{Name: "traffic", About: b.Name, State: Unknown, Says: why}
}

// factsOf are the numbers of a bus nobody listened to.
func factsOf(b *Bus) BusFacts {
	f := &b.Facts
	return BusFacts{Name: b.Name, Kind: f.Kind, CAN: f.CAN, Up: f.Up, Virtual: f.Virtual(), Mode: f.Mode.String(), Controller: f.State.String(),
		FD: f.FD(), BitRate: known(f.BitRate), DataBitRate: known(f.DataBitRate), Ohms: known(f.Ohms)}
}

// hear adds what listening brought.
func (f *BusFacts) hear(b *Bus, listened time.Duration, h *HeardBus) {
	millis, seconds := b.holdsMillis(), listened.Seconds()
	perSecond := float64(h.Frames) / seconds
	f.Buffer, f.Forced, f.BufferMS, f.Listened = &b.Buffer, &b.Forced, &millis, &seconds
	f.Frames, f.PerSecond, f.ErrorFrames, f.Lost = &h.Frames, &perSecond, &h.Errors, &h.Lost
}

// known is nil for a zero, which means that nobody knows.
func known[N comparable](n N) *N {
	var zero N
	if n == zero {
		return nil
	}
	return &n
}

// causeOf is an error without the name of the link, which stands beside it.
func causeOf(err error) string {
	var link *socketcan.LinkError
	if errors.As(err, &link) {
		return link.Err.Error()
	}
	return err.Error()
}

// hintOf is what a socketcan error says can be done.
func hintOf(err error) string {
	var link *socketcan.LinkError
	if errors.As(err, &link) {
		return link.Hint()
	}
	return ""
}

func names(links []socketcan.Facts) string {
	var all []string
	for i := range links {
		all = append(all, links[i].Name)
	}
	return strings.Join(all, ", ")
}
