package live

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/safety"
)

// Door takes records from other programs of the same user into a running recording: one socket for each
// of its files, in a folder that nobody else may enter. A record goes in as one line of JSON, and its
// number or an error comes back as another.
type Door struct {
	keep func(at capture.Stamp, record any) (uint64, error)
	now  func() capture.Stamp

	mu        sync.Mutex
	listeners []net.Listener
	visitors  sync.WaitGroup
	closed    bool
}

// knock is what comes in.
type knock struct {
	At     capture.Stamp   `json:"at"` // 0: now
	Record json.RawMessage `json:"record"`
}

// reply is what goes out.
type reply struct {
	Number uint64        `json:"number"`
	At     capture.Stamp `json:"at"`
	Error  string        `json:"error,omitempty"`
}

// Bounds of one visit.
const (
	longestKnock = 64 << 10
	visitTime    = 5 * time.Second
	mostVisitors = 16
)

// ErrNobody says that no recorder of this user takes records for a session.
var ErrNobody = errors.New("no recorder of yours takes marks for it")

// NewDoor returns a door with no socket yet. Records that are let in go to keep.
func NewDoor(keep func(at capture.Stamp, record any) (uint64, error), now func() capture.Stamp) *Door {
	return &Door{keep: keep, now: now}
}

// Open lets records in that are meant for the session at path.
func (d *Door) Open(path string) error {
	address, err := doorOf(path)
	if err != nil {
		return err
	}
	_ = os.Remove(address) // of a recorder that was killed; who records the file now holds its lock
	l, err := net.Listen("unix", address)
	if err != nil {
		return err
	}
	if err := os.Chmod(address, 0o600); err != nil {
		l.Close()
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return l.Close()
	}
	d.listeners = append(d.listeners, l)
	d.visitors.Go(func() { d.serve(l) })
	return nil
}

// Close lets nobody in any more, and waits for those inside.
func (d *Door) Close() {
	d.mu.Lock()
	d.closed = true
	for _, l := range d.listeners {
		l.Close()
	}
	d.mu.Unlock()
	d.visitors.Wait()
}

func (d *Door) serve(l net.Listener) {
	seats := make(chan struct{}, mostVisitors)
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		seats <- struct{}{}
		d.visitors.Go(func() {
			defer func() { <-seats }()
			d.visit(c)
		})
	}
}

// visit takes one record.
func (d *Door) visit(c net.Conn) {
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(visitTime)) // a socket of this kind has deadlines
	line, err := bufio.NewReader(io.LimitReader(c, longestKnock)).ReadBytes('\n')
	if err != nil {
		return
	}
	answer := reply{}
	if answer.Number, answer.At, err = d.letIn(line); err != nil {
		answer.Error = err.Error()
	}
	_ = json.NewEncoder(c).Encode(answer) // who has gone away hears nothing
}

// letIn puts a record into the recording, if it is one that others may bring.
func (d *Door) letIn(line []byte) (uint64, capture.Stamp, error) {
	var k knock
	if err := json.Unmarshal(line, &k); err != nil {
		return 0, 0, fmt.Errorf("what came in is no record: %w", err)
	}
	if k.At == 0 {
		k.At = d.now()
	}
	var m session.MarkRecord
	if err := json.Unmarshal(k.Record, &m); err != nil {
		return 0, 0, fmt.Errorf("what came in is no record: %w", err)
	}
	switch m.Kind {
	case session.KindMark:
		if err := safety.CheckMark(k.At, m.Name, m.Corner, m.Value); err != nil {
			return 0, 0, err
		}
	case session.KindHandover:
	default:
		return 0, 0, fmt.Errorf("only marks and handovers are taken, not %q", m.Kind)
	}
	n, err := d.keep(k.At, k.Record)
	return n, k.At, err
}

// Tell brings a record to the recorder of the session at path, and returns its number there and its time.
// At 0 is the present moment of the recording. The error is ErrNobody where nobody takes it.
func Tell(ctx context.Context, path string, at capture.Stamp, record any) (uint64, capture.Stamp, error) {
	body, err := json.Marshal(record)
	if err != nil {
		return 0, 0, err
	}
	line, err := json.Marshal(knock{At: at, Record: body})
	if err != nil {
		return 0, 0, err
	}
	address, err := doorOf(path)
	if err != nil {
		return 0, 0, err
	}
	ctx, cancel := context.WithTimeout(ctx, visitTime)
	defer cancel()
	c, err := (&net.Dialer{}).DialContext(ctx, "unix", address)
	if err != nil {
		return 0, 0, ErrNobody
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(visitTime))
	if _, err := c.Write(append(line, '\n')); err != nil {
		return 0, 0, fmt.Errorf("the recorder of %s did not take it: %w", path, err)
	}
	var answer reply
	if err := json.NewDecoder(io.LimitReader(c, longestKnock)).Decode(&answer); err != nil {
		return 0, 0, fmt.Errorf("the recorder of %s did not answer: %w", path, err)
	}
	if answer.Error != "" {
		return 0, 0, errors.New(answer.Error)
	}
	return answer.Number, answer.At, nil
}

// Attended reports whether the recorder that writes the session at path lives; known is false where that
// can't be seen, since the session is another user's.
func Attended(ctx context.Context, path string) (alive, known bool) {
	info, err := os.Stat(path)
	if err != nil || !mine(info) {
		return false, false
	}
	address, err := doorOf(path)
	if err != nil {
		return false, false
	}
	ctx, cancel := context.WithTimeout(ctx, longestAsk)
	defer cancel()
	c, err := (&net.Dialer{}).DialContext(ctx, "unix", address)
	if err != nil {
		return false, true
	}
	c.Close() // who says nothing is let go again
	return true, true
}

// doorOf returns where the socket of a session is: its name is made of the path, since that may be longer
// than an address can be.
func doorOf(path string) (string, error) {
	whole, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	if real, err := filepath.EvalSymlinks(whole); err == nil {
		whole = real
	}
	folder := filepath.Join(os.TempDir(), fmt.Sprintf("ridewitness-%d", os.Getuid()))
	if run := os.Getenv("XDG_RUNTIME_DIR"); run != "" {
		folder = filepath.Join(run, "ridewitness")
	}
	if err := ownFolder(folder); err != nil {
		return "", err
	}
	sum := sha256.Sum256([]byte(whole))
	return filepath.Join(folder, hex.EncodeToString(sum[:8])), nil
}

// ownFolder makes a folder that only this user may enter, and refuses one that somebody else made.
func ownFolder(folder string) error {
	if err := os.Mkdir(folder, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	info, err := os.Lstat(folder)
	if err != nil {
		return err
	}
	if !info.IsDir() || !onlyMine(info) {
		return fmt.Errorf("%s is not a folder of this user alone: take it away", folder)
	}
	return nil
}
