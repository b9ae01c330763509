package socketcan

import (
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/host"
	"ridewitness/capture/session"
)

// How often the receiving thread does what.
const (
	restTime     = int64(time.Millisecond)       // between the first frame of a burst and the next look
	lookEvery    = int64(time.Second)            // at the links
	lookForGone  = int64(250 * time.Millisecond) // when one of them is gone
	countEvery   = int64(10 * time.Second)       // clocks and counters go into the journal
	roundsAtOnce = 64                            // calls on full sockets before anything else is looked at
	roundsAtEnd  = 4096                          // to read what is left, however fast more comes
)

// receiver is the thread that listens.
type receiver struct {
	queue   *queue
	options Options
	clock   *clock
	links   func() ([]Facts, error) // Links
	buses   []*bus
	polls   []unix.PollFd // the buses' sockets, and last the bell
	bell    int           // an eventfd that ends the waiting
	ending  atomic.Bool
	done    chan struct{}
	looked  int64 // monotonic time of the last look at the links
	unseen  bool  // the kernel did not tell of them then
	counted int64
}

// bus is one bus as the receiver sees it.
type bus struct {
	id     capture.BusID
	name   string
	facts  Facts
	socket *socket // nil while the link is gone
	base   uint64  // frames that never reached the socket, counted before it was opened
	got    int     // frames of this round in the socket's hands
	put    int     // of these in the queue

	// For Source.Counts, which may be called from anywhere.
	received, fellAtSocket, fellAtRing, fellBefore atomic.Uint64
}

// counts returns what was counted for the bus.
func (b *bus) counts() Counts {
	return Counts{
		Received: b.received.Load(),
		AtSocket: b.fellAtSocket.Load(), AtRing: b.fellAtRing.Load(), BeforeSocket: b.fellBefore.Load(),
	}
}

func newReceiver(q *queue, o Options) (*receiver, error) {
	bell, err := unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK)
	if err != nil {
		return nil, err
	}
	first := readClocks()
	first.synced = host.ClockNow().Synchronised
	return &receiver{queue: q, options: o, clock: newClock(first), links: Links, bell: bell, done: make(chan struct{})}, nil
}

// add opens a bus and tells of it.
func (r *receiver) add(name string) (Bus, error) {
	facts, err := FactsOf(name)
	if err != nil {
		return Bus{}, errors.Unwrap(err)
	}
	if err := facts.refuse(r.options.NotSilent); err != nil {
		return Bus{}, err
	}
	b := &bus{id: capture.BusID(len(r.buses)), name: name}
	if err := r.open(b, facts); err != nil {
		return Bus{}, err
	}
	r.buses = append(r.buses, b)
	r.queue.tell(capture.Event{At: r.clock.now(), Kind: capture.EventBus, Bus: b.id, Name: name})
	r.tellLink(b, stateText(&facts))
	return Bus{Name: name, Facts: facts, Buffer: b.socket.buffer, Forced: b.socket.forced}, nil
}

// open gives a bus a socket on its link.
func (r *receiver) open(b *bus, facts Facts) (err error) {
	b.socket, err = openSocket(facts.Index, r.options.Buffer)
	b.facts, b.base = facts, facts.Counters.lost()
	return err
}

// stateText is the state of a link in a journal record.
func stateText(f *Facts) string {
	switch {
	case !f.Up:
		return session.LinkDown
	case f.State == StateUnknown:
		return "up"
	default:
		return f.State.String()
	}
}

// stop ends the thread and waits for it.
func (r *receiver) stop() error {
	if r.ending.Swap(true) {
		<-r.done
		return nil
	}
	_, err := unix.Write(r.bell, binary.NativeEndian.AppendUint64(nil, 1))
	<-r.done
	return errors.Join(err, unix.Close(r.bell))
}

// closeAll gives the sockets back, of a receiver that never ran.
func (r *receiver) closeAll() {
	for _, b := range r.buses {
		b.socket.close()
	}
	unix.Close(r.bell)
}

// run is the thread. It stays locked to its goroutine, so that no other work delays it and its waiting
// takes no thread from others.
func (r *receiver) run() {
	runtime.LockOSThread()
	defer close(r.done)
	r.look()
	r.count() // a recording that ends at once says that nothing was lost
	for !r.ending.Load() {
		r.wait()
		r.work(roundsAtOnce)
	}
	r.work(roundsAtEnd)
	r.look()
	r.count()
	for _, b := range r.buses {
		if b.socket != nil {
			b.socket.close()
		}
	}
	r.queue.end(io.EOF)
}

// work takes what there is, and looks after links and clocks when it is time.
func (r *receiver) work(rounds int) {
	r.readClocks()
	r.drain(rounds)
	now := r.clock.last.monotonic
	every := lookEvery
	if r.anyGone() {
		every = lookForGone
	}
	if now-r.looked >= every {
		r.look()
	}
	if now-r.counted >= countEvery {
		r.count()
	}
	r.queue.signal()
}

// wait blocks until a frame comes or a link is to be looked at, and then rests, so that one system
// call brings many frames. The kernel has stamped them already.
func (r *receiver) wait() {
	r.polls = r.polls[:0]
	for _, b := range r.buses {
		if b.socket != nil {
			r.polls = append(r.polls, unix.PollFd{Fd: int32(b.socket.fd), Events: unix.POLLIN})
		}
	}
	r.polls = append(r.polls, unix.PollFd{Fd: int32(r.bell), Events: unix.POLLIN})
	limit := unix.NsecToTimespec(lookForGone)
	if n, err := unix.Ppoll(r.polls, &limit, nil); err != nil || n == 0 || r.ending.Load() {
		return
	}
	rest := unix.NsecToTimespec(restTime)
	_ = unix.Nanosleep(&rest, nil)
}

// readClocks keeps the clock up to date, and tells what happened to it.
func (r *receiver) readClocks() {
	now := readClocks()
	now.synced = r.clock.last.synced
	if happened, any := r.clock.update(now); any {
		r.clock.last.synced = host.ClockNow().Synchronised
		r.queue.tell(r.clock.record(happened))
	}
}

// drain empties the sockets. With frames of several buses, those of one round go in by their stamps.
func (r *receiver) drain(rounds int) {
	for range rounds {
		full := false
		for _, b := range r.buses {
			b.got, b.put = 0, 0
			if b.socket == nil {
				continue
			}
			got, err := b.socket.receive(b.id, r.clock)
			if err != nil {
				r.fault(b, err)
				continue
			}
			b.got = got
			full = full || got == perCall
		}
		r.merge()
		if !full {
			return
		}
	}
}

// merge puts the frames of a round into the queue, the earliest first.
func (r *receiver) merge() {
	for {
		var first *bus
		for _, b := range r.buses {
			if b.put < b.got && (first == nil || b.next().At < first.next().At) {
				first = b
			}
		}
		if first == nil {
			return
		}
		r.put(first)
	}
}

// next is the frame of this round that is due.
func (b *bus) next() *capture.Frame { return &b.socket.frames[b.put] }

// put passes a bus's next frame on, behind what was lost before it.
func (r *receiver) put(b *bus) {
	if n := b.socket.lost[b.put]; n != 0 {
		r.lose(b, &b.fellAtSocket, uint64(n))
	}
	if r.queue.put(b.next()) {
		b.received.Add(1)
	} else {
		r.lose(b, &b.fellAtRing, 1)
	}
	b.put++
}

// lose counts frames that were lost at a place, and tells of them.
func (r *receiver) lose(b *bus, place *atomic.Uint64, count uint64) {
	place.Add(count)
	r.queue.tell(capture.Event{At: r.clock.now(), Kind: capture.EventLoss, Bus: b.id, Count: count})
}

// fault takes an error of a bus's socket. Down, the socket stays bound and works again later. Any other
// error means that the link is gone, and the socket with it.
func (r *receiver) fault(b *bus, err error) {
	if errors.Is(err, unix.ENETDOWN) {
		b.facts.Up = false
		r.tellLink(b, session.LinkDown)
		return
	}
	r.leave(b)
}

// leave gives up the socket of a link that is gone.
func (r *receiver) leave(b *bus) {
	r.late(b)
	b.socket.close()
	b.socket = nil
	r.tellLink(b, session.LinkGone)
}

func (r *receiver) anyGone() bool {
	for _, b := range r.buses {
		if b.socket == nil {
			return true
		}
	}
	return false
}

// look asks the kernel for its links, and tells what changed.
func (r *receiver) look() {
	r.looked = r.clock.last.monotonic
	links, err := r.links()
	if err != nil && !r.unseen { // told once, until they are seen again
		r.queue.tell(capture.Event{At: r.clock.now(), Kind: capture.EventDamage, Err: err})
	}
	if r.unseen = err != nil; r.unseen {
		return
	}
	for _, b := range r.buses {
		r.lookAt(b, find(links, b.name))
	}
}

// find returns the link of that name, nil where there is none.
func find(links []Facts, name string) *Facts {
	for i := range links {
		if links[i].Name == name {
			return &links[i]
		}
	}
	return nil
}

// lookAt compares a bus's link with what it was. An adapter that comes back may be another link by the
// same name; it is listened to again however it is set up, since not hearing the bus is worse, and its
// record says how.
func (r *receiver) lookAt(b *bus, now *Facts) {
	there := now != nil && now.CAN && (b.socket == nil || now.Index == b.facts.Index)
	switch {
	case b.socket != nil && !there:
		r.leave(b)
	case b.socket != nil:
		r.late(b)
		r.missing(b, now)
		r.compare(b, now)
	case there && now.Up && r.open(b, *now) == nil:
		r.tellLink(b, stateText(now))
	}
}

// late counts what the socket dropped after the last frame that was read. Frames that still wait were
// queued before those, so they go first; frames that were queued afterwards bring the count themselves.
func (r *receiver) late(b *bus) {
	counter := b.socket.askDrops()
	for range roundsAtOnce {
		got, err := b.socket.receive(b.id, r.clock)
		if err != nil {
			break // the next round finds it too
		}
		b.got, b.put = got, 0
		r.merge()
		if got < perCall {
			break
		}
	}
	if n := b.socket.drops(counter); n != 0 {
		r.lose(b, &b.fellAtSocket, uint64(n))
	}
}

// missing counts what never reached the socket. When it was is known to a second only.
func (r *receiver) missing(b *bus, now *Facts) {
	lost := now.Counters.lost()
	if lost > b.base {
		r.lose(b, &b.fellBefore, lost-b.base)
	}
	b.base = lost
}

// compare tells what changed about a link but its counters.
func (r *receiver) compare(b *bus, now *Facts) {
	was := b.facts
	b.facts = *now
	if was.Up != now.Up || was.State != now.State || was.Mode != now.Mode || was.BitRate != now.BitRate {
		r.tellLink(b, stateText(now))
	}
}

// tellLink writes the state of a bus's link into the journal.
func (r *receiver) tellLink(b *bus, state string) {
	record := session.LinkRecord{
		Kind: session.KindLink, Bus: b.name, Type: b.facts.Kind, Bitrate: b.facts.BitRate, State: state,
	}
	switch b.facts.Mode {
	case ModeListenOnly, ModeActive:
		silent := b.facts.Mode == ModeListenOnly
		record.ListenOnly = &silent
	}
	r.queue.tell(journal(r.clock.now(), session.KindLink, record))
}

// count writes clocks and counters.
func (r *receiver) count() {
	r.counted = r.clock.last.monotonic
	r.clock.last.synced = host.ClockNow().Synchronised
	r.queue.tell(r.clock.record(change{}))
	for _, b := range r.buses {
		c := b.counts()
		r.queue.tell(capture.Event{At: r.clock.now(), Kind: capture.EventCounters, Bus: b.id,
			Received: int64(c.Received), Dropped: int64(c.Lost())})
	}
}
