package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"time"
)

// Stream is how one page is told the news.
type Stream struct {
	Every    time.Duration          // the steady beat
	Patience time.Duration          // how long the page may take to accept a message before it is let go
	News     func() (any, error)    // what is to be told now; an error ends the stream
	Changed  func() <-chan struct{} // closes when there is news before the next beat; nil: never

	Stop, Done <-chan struct{}     // either ends the stream
	Last       func() (any, error) // what is told once Done has ended it; nil: nothing more
}

// Write writes news until the page goes away or the stream ends. Only the newest news is ever
// written: a page that is slow misses what was in between.
func (s Stream) Write(w http.ResponseWriter, q *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	control := http.NewResponseController(w)
	beat := time.NewTicker(s.Every)
	defer beat.Stop()
	for {
		var changed <-chan struct{}
		if s.Changed != nil {
			changed = s.Changed()
		}
		if s.write(w, control, s.News) != nil {
			return
		}
		select {
		case <-q.Context().Done():
			return
		case <-s.Done:
			if s.Last != nil {
				s.write(w, control, s.Last)
			}
			return
		case <-s.Stop:
			return
		case <-changed:
		case <-beat.C:
		}
	}
}

// write writes one message.
func (s Stream) write(w io.Writer, control *http.ResponseController, ask func() (any, error)) error {
	news, err := ask()
	if err != nil {
		return err
	}
	text, err := json.Marshal(news)
	if err != nil {
		return err
	}
	// Where the deadline can't be set the page is one of a test's recorder.
	if err := control.SetWriteDeadline(time.Now().Add(s.Patience)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := fmt.Fprintf(w, "data: %s\n\n", text); err != nil {
		return err
	}
	return control.Flush()
}

// grace is how long a request may take to end after the server was told to.
const grace = time.Second

// Serve answers on l until ctx is done, and closes l. What an HTTP server would log is dropped: it
// names addresses, and none is kept. Streams must end when web shuts down (RegisterOnShutdown).
func Serve(ctx context.Context, web *http.Server, l net.Listener) error {
	web.ErrorLog = log.New(io.Discard, "", 0)
	ctx, failed := context.WithCancel(ctx)
	defer failed()
	stopped := make(chan error, 1)
	go func() {
		<-ctx.Done()
		ending, cancel := context.WithTimeout(context.Background(), grace)
		defer cancel()
		if err := web.Shutdown(ending); err != nil {
			stopped <- web.Close()
			return
		}
		stopped <- nil
	}()
	err := web.Serve(l)
	if errors.Is(err, http.ErrServerClosed) {
		return <-stopped
	}
	return err
}
