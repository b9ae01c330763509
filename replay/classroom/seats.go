package classroom

import (
	"crypto/rand"
	"time"
)

// MaxSeats is the most students of one class. 200 phones are what it is made for; the rest is for
// reloads in other tabs.
const MaxSeats = 500

// idleSeat is how long a seat that nobody listens from, and that has not answered, is kept when
// others want to join.
const idleSeat = 30 * time.Second

// seats are the students' places. What is kept of a student is what stands in seat.
type seats struct {
	byToken map[string]*seat
	counts  [maxChoices]int
}

// seat is one student's place.
type seat struct {
	choice  int // of the question at hand, from 1; 0: none
	streams int // pages that listen
	seen    time.Time
	// replaced is closed when another page of the same seat begins to listen.
	replaced chan struct{}
}

// present reports whether somebody sits there.
func (s *seat) present() bool { return s.streams > 0 || s.choice > 0 }

// clear takes all answers away.
func (s *seats) clear() {
	for _, seat := range s.byToken {
		seat.choice = 0
	}
	s.counts = [maxChoices]int{}
}

// joined counts the seats where somebody sits, and those that have answered.
func (s *seats) joined() (joined, answered int) {
	for _, seat := range s.byToken {
		if seat.present() {
			joined++
		}
		if seat.choice > 0 {
			answered++
		}
	}
	return joined, answered
}

// sweep forgets seats that nobody uses.
func (s *seats) sweep(now time.Time) {
	for token, seat := range s.byToken {
		if !seat.present() && now.Sub(seat.seen) > idleSeat {
			delete(s.byToken, token)
		}
	}
}

// Join gives a new seat and returns its token: a random text of 26 letters and digits or more
// (at least 128 bits) that says nothing about who sits there.
func (r *Room) Join() (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	if len(r.seats.byToken) >= MaxSeats {
		r.seats.sweep(now)
	}
	if len(r.seats.byToken) >= MaxSeats {
		return "", ErrFull
	}
	token := rand.Text()
	r.seats.byToken[token] = &seat{seen: now}
	return token, nil
}

// Answer takes a student's choice, from 1, for the question of a stop, counted from 1. It may be
// changed until the trainer closes; the last one counts.
func (r *Room) Answer(token string, stop, choice int) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.seats.byToken[token]
	switch {
	case s == nil:
		return ErrNoSeat
	case r.phase != Open || stop != r.next+1:
		return ErrNotOpen
	case choice < 1 || choice > len(r.stops[r.next].Choices):
		return ErrNoChoice
	}
	if s.choice > 0 {
		r.seats.counts[s.choice-1]--
	}
	s.choice = choice
	s.seen = time.Now()
	r.seats.counts[choice-1]++
	return nil
}

// listen notes that a page listens from a seat. An earlier page of the same seat is told to stop
// by the channel that it got: a reload must not count twice, nor leave streams behind.
func (r *Room) listen(token string) (<-chan struct{}, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.seats.byToken[token]
	if s == nil {
		return nil, ErrNoSeat
	}
	if s.replaced != nil {
		close(s.replaced)
	}
	s.replaced = make(chan struct{})
	s.streams++
	s.seen = time.Now()
	return s.replaced, nil
}

// leave notes that a page that got the channel from listen is gone.
func (r *Room) leave(token string, mine <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.seats.byToken[token]
	if s == nil {
		return
	}
	s.streams--
	s.seen = time.Now()
	if s.replaced != nil && (<-chan struct{})(s.replaced) == mine {
		s.replaced = nil
	}
}
