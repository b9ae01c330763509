package classroom

import (
	"context"
	"hash/maphash"
	"net"
	"net/http"
	"sync"
	"time"

	"ridewitness/replay/page"
)

// Rate is what one address, and one connection, may ask for.
type Rate struct {
	Connections int     // at once, of one address
	Total       int     // at once, of all other machines together
	Burst       float64 // requests of one address at once; a new seat counts as four
	PerSecond   float64 // requests of one address in the long run
}

// DefaultRate serves 200 phones that have an address each, with their reloads, and leaves one that
// floods only its own share. Where all phones come through one address, as through a second
// router, they join more slowly, and Connections has to be raised.
var DefaultRate = Rate{Connections: 64, Total: 700, Burst: 120, PerSecond: 20}

// Limits of one connection: a page asks for far less.
const (
	connectionBurst     = 40.0
	connectionPerSecond = 10.0
)

// maxBoards is how many screens may show the class, those of this machine not counted.
const maxBoards = 4

// bucket is a token bucket: it holds at most burst, and fills at a rate.
type bucket struct {
	mu    sync.Mutex
	level float64
	last  time.Time
}

// take takes cost out, and reports whether there was enough.
func (b *bucket) take(cost, burst, perSecond float64, now time.Time) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.last.IsZero() {
		b.level = burst
	} else {
		b.level = min(burst, b.level+now.Sub(b.last).Seconds()*perSecond)
	}
	b.last = now
	if b.level < cost {
		return false
	}
	b.level -= cost
	return true
}

// guest is what is known of an address while it is connected, and a minute longer.
type guest struct {
	bucket      bucket
	connections int
	seen        time.Time
}

// forgetAfter is how long the count of an address that is gone is kept, or reconnecting would
// fill its bucket.
const forgetAfter = time.Minute

// limiter counts connections and requests by address. It knows addresses only as numbers that a
// secret of this run makes of them, and forgets those too.
type limiter struct {
	rate Rate
	seed maphash.Seed

	mu     sync.Mutex
	guests map[uint64]*guest
	total  int // connections of other machines
	boards int
	swept  time.Time
}

func newLimiter(r Rate) *limiter {
	return &limiter{rate: r, seed: maphash.MakeSeed(), guests: map[uint64]*guest{}}
}

// guest returns what is known of an address. The lock is held by the caller.
func (l *limiter) guest(address string, now time.Time) *guest {
	if now.Sub(l.swept) > forgetAfter {
		l.swept = now
		for key, g := range l.guests {
			if g.connections == 0 && now.Sub(g.seen) > forgetAfter {
				delete(l.guests, key)
			}
		}
	}
	key := maphash.String(l.seed, keyOf(address))
	g := l.guests[key]
	if g == nil {
		g = &guest{}
		l.guests[key] = g
	}
	g.seen = now
	return g
}

// keyOf returns the part of an address that is counted: of IPv6 the network of 64 bits, since one
// machine may use all addresses in it.
func keyOf(remote string) string {
	ip := page.Address(remote)
	if ip == nil {
		return ""
	}
	if four := ip.To4(); four != nil {
		return string(four)
	}
	if ip.IsLoopback() || ip.IsLinkLocalUnicast() {
		return string(ip)
	}
	return string(ip[:8])
}

// allow reports whether a request is within what its connection and its address may ask for.
func (l *limiter) allow(q *http.Request, cost float64) bool {
	now := time.Now()
	if b, ok := q.Context().Value(bucketKey{}).(*bucket); ok && !b.take(cost, connectionBurst, connectionPerSecond, now) {
		return false
	}
	l.mu.Lock()
	g := l.guest(q.RemoteAddr, now)
	l.mu.Unlock()
	return g.bucket.take(cost, l.rate.Burst, l.rate.PerSecond, now)
}

// costOf weighs a request: a seat is kept for a while, the rest is over at once.
func costOf(q *http.Request) float64 {
	if q.Method == http.MethodPost && len(q.URL.Path) > 5 && q.URL.Path[len(q.URL.Path)-5:] == "/seat" {
		return 4
	}
	return 1
}

// board reserves one of the places for screens; release gives it back.
func (l *limiter) board(local bool) (release func(), ok bool) {
	if local {
		return func() {}, true
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.boards >= maxBoards {
		return nil, false
	}
	l.boards++
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.boards--
	}, true
}

// bucketKey finds the bucket of a connection in the context of its requests.
type bucketKey struct{}

// withBucket gives each connection a bucket of its own.
func withBucket(ctx context.Context, _ net.Conn) context.Context {
	return context.WithValue(ctx, bucketKey{}, &bucket{})
}

// listen returns a listener that turns away what is over the limits before a byte is read. This
// machine is not counted into the total, so that the trainer always gets in.
func (l *limiter) listen(inner net.Listener) net.Listener { return &doorkeeper{inner, l} }

type doorkeeper struct {
	net.Listener
	limits *limiter
}

// Accept implements net.Listener.
func (d *doorkeeper) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if leave, ok := d.limits.enter(c.RemoteAddr().String()); ok {
			return &counted{Conn: c, leave: leave}, nil
		}
		// Nobody waits for this connection; whether it closes well does not matter.
		c.Close()
	}
}

// enter counts a connection in; leave counts it out.
func (l *limiter) enter(remote string) (leave func(), ok bool) {
	ip := page.Address(remote)
	outside := ip == nil || !ip.IsLoopback()
	l.mu.Lock()
	defer l.mu.Unlock()
	g := l.guest(remote, time.Now())
	if g.connections >= l.rate.Connections || outside && l.total >= l.rate.Total {
		return nil, false
	}
	g.connections++
	if outside {
		l.total++
	}
	return sync.OnceFunc(func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		g.connections--
		g.seen = time.Now()
		if outside {
			l.total--
		}
	}), true
}

// counted is a connection that is counted out when it closes.
type counted struct {
	net.Conn
	leave func()
}

// Close implements net.Conn.
func (c *counted) Close() error {
	c.leave()
	return c.Conn.Close()
}
