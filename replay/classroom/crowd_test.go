package classroom

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const crowd = 200

// machine returns a client that comes from an address of its own. Every address of 127.0.0.0/8 is
// this machine, so two hundred of them need no network.
func machine(t testing.TB, last int) *http.Client {
	from := &net.TCPAddr{IP: net.IPv4(127, 0, byte(1+last/250), byte(1+last%250))}
	dialer := net.Dialer{LocalAddr: from, Timeout: 5 * time.Second}
	transport := &http.Transport{DialContext: dialer.DialContext, DisableCompression: true}
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport}
}

// pupil is a phone without a screen.
type pupil struct {
	client *http.Client
	base   string // of the class: http://127.0.0.1:port/j/CODE
	origin string
	seat   string
}

func (p *pupil) post(ctx context.Context, path string, form url.Values) (*http.Response, error) {
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, p.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		return nil, err
	}
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	q.Header.Set("Origin", p.origin)
	return p.client.Do(q)
}

func (p *pupil) join(ctx context.Context) error {
	answer, err := p.post(ctx, "/seat", nil)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	var seat struct{ Seat string }
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("no seat: %s", answer.Status)
	}
	err = json.NewDecoder(answer.Body).Decode(&seat)
	p.seat = seat.Seat
	return err
}

// listen follows the news and hands each piece on, until ctx is done.
func (p *pupil) listen(ctx context.Context, news func(seatNews)) error {
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, p.base+"/news?seat="+p.seat, nil)
	if err != nil {
		return err
	}
	answer, err := p.client.Do(q)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	lines := bufio.NewReaderSize(answer.Body, 64<<10)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return err
		}
		text, ok := strings.CutPrefix(line, "data: ")
		if !ok {
			continue
		}
		var n seatNews
		if err := json.Unmarshal([]byte(text), &n); err != nil {
			return err
		}
		news(n)
	}
}

// answer sends a choice.
func (p *pupil) answer(ctx context.Context, choice int) error {
	answer, err := p.post(ctx, "/answer", url.Values{"seat": {p.seat}, "stop": {"1"}, "choice": {fmt.Sprint(choice)}})
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", answer.Status, text)
	}
	return err
}

// Two hundred phones listen and answer at once, while one machine floods the class with whatever it
// can think of. Every answer counts, and the flood is told to wait.
func TestTwoHundredAnswerWhileOneFloods(t *testing.T) {
	// A rate that even a slow machine's flood exceeds; a phone needs six of the forty.
	c := serveRoom(t, roomOf(t, "early"), Rate{Connections: 64, Total: 700, Burst: 40, PerSecond: 1})
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	pupils := make([]*pupil, crowd)
	var open, listening sync.WaitGroup // who has heard of the question; who still listens
	open.Add(crowd)
	var problems sync.Map
	for i := range pupils {
		p := &pupil{client: machine(t, i), base: c.base + "/j/" + c.server.code, origin: c.base}
		pupils[i] = p
		listening.Go(func() {
			once := sync.OnceFunc(open.Done)
			if err := p.join(ctx); err != nil {
				problems.Store(i, err)
				once()
				return
			}
			err := p.listen(ctx, func(n seatNews) {
				if n.Phase == Open.String() {
					once()
				}
			})
			once()
			if ctx.Err() == nil && !errors.Is(err, io.EOF) {
				problems.Store(i, err)
			}
		})
	}
	served, refused, stopFlood := flood(t, ctx, c)
	for joined := 0; joined < crowd; joined = c.room.board().Joined {
		require.NoError(t, ctx.Err(), "%d of %d joined", joined, crowd)
		<-c.room.tick(ctx)
	}
	do(t, c.room, NextStop, Ask)
	open.Wait()
	begun := time.Now()
	var answers sync.WaitGroup
	var slowest atomic.Int64
	for i, p := range pupils {
		answers.Go(func() {
			sent := time.Now()
			if err := p.answer(ctx, 1+i%4); err != nil {
				problems.Store(-i-1, err)
			}
			for took := time.Since(sent).Nanoseconds(); took > slowest.Load(); {
				slowest.Store(took)
			}
		})
	}
	answers.Wait()
	all := time.Since(begun)
	for refused.Load() == 0 {
		require.NoError(t, ctx.Err(), "the flood was never told to wait")
		<-c.room.tick(ctx)
	}
	stopFlood()
	do(t, c.room, Close)
	problems.Range(func(who, problem any) bool {
		t.Errorf("pupil %v: %v", who, problem)
		return true
	})
	require.Equal(t, []int{crowd / 4, crowd / 4, crowd / 4, crowd / 4}, c.room.board().Asked.Counts)
	t.Logf("%d answers in %v, the slowest %v; of the flood %d were served and %d turned away", crowd, all.Round(time.Millisecond),
		time.Duration(slowest.Load()).Round(time.Millisecond), served.Load(), refused.Load())
	cancel()
	listening.Wait()
}

// flood sends what one machine can in four connections' worth of workers: pages, seats, answers with
// made-up seats.
func flood(t *testing.T, ctx context.Context, c *served) (served, refused *atomic.Int64, stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	served, refused = &atomic.Int64{}, &atomic.Int64{}
	var workers sync.WaitGroup
	for range 4 {
		p := &pupil{client: machine(t, 499), base: c.base + "/j/" + c.server.code, origin: c.base, seat: "nobody"}
		workers.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				path := []string{"/seat", "/answer", "/nothing"}[i%3]
				answer, err := p.post(ctx, path, url.Values{"seat": {"nobody"}, "stop": {"1"}, "choice": {"1"}})
				if err != nil {
					continue
				}
				io.Copy(io.Discard, answer.Body)
				answer.Body.Close()
				if answer.StatusCode == http.StatusTooManyRequests {
					refused.Add(1)
				} else {
					served.Add(1)
				}
			}
		})
	}
	return served, refused, func() { cancel(); workers.Wait() }
}

// tick returns a channel that is closed when something changed, or a little later.
func (r *Room) tick(ctx context.Context) <-chan struct{} {
	short, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
	context.AfterFunc(short, cancel)
	return short.Done()
}

// BenchmarkAnswer measures the taking of an answer, with 200 seats taken.
func BenchmarkAnswer(b *testing.B) {
	r := roomOf(b, "early")
	var seats []string
	for range crowd {
		s, err := r.Join()
		require.NoError(b, err)
		seats = append(seats, s)
	}
	do(b, r, NextStop, Ask)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if err := r.Answer(seats[i%crowd], 1, 1+i%4); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkNews measures one message for a phone while a question is open, and one for the board.
func BenchmarkNews(b *testing.B) {
	r := roomOf(b, "early")
	seat, err := r.Join()
	require.NoError(b, err)
	do(b, r, NextStop)
	for _, c := range []struct {
		name string
		news func() any
	}{
		{"board", func() any { return r.board() }},
		{"phone", func() any { n, _ := r.seat(seat); return n }},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			size := 0
			for b.Loop() {
				text, err := json.Marshal(c.news())
				if err != nil {
					b.Fatal(err)
				}
				size = len(text)
			}
			b.ReportMetric(float64(size), "bytes/message")
		})
	}
}
