package uds_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/uds"
)

// fate is what a simulated unit does with a request, and the verdict that follows from the standard.
type fate struct {
	pending  int
	answer   []byte // the final answer, nil for silence
	verdict  uds.Verdict
	settling time.Duration // what passes afterwards
}

// drawFate draws a request and what becomes of it.
func drawFate(t *rapid.T) (request []byte, f fate) {
	request = rapid.SampledFrom([][]byte{
		{0x31, 0x01, 0x03, 0x01}, {0x31, 0x02, 0x03, 0x01}, {0x22, 0x2B, 0x01}, {0x10, 0x03}, {0x2F, 0x2B, 0x10, 0x03, 0xFF},
	}).Draw(t, "request")
	positive := append([]byte{request[0] + 0x40}, request[1:]...)
	suppressed := false
	if request[0] == 0x31 && rapid.Bool().Draw(t, "suppressed") {
		request = append([]byte{}, request...)
		request[1] |= 0x80
		suppressed = true
	}
	f.pending = rapid.IntRange(0, 3).Draw(t, "pending")
	f.settling = 20 * time.Second
	switch rapid.SampledFrom([]string{"accept", "refuse", "silence"}).Draw(t, "fate") {
	case "accept":
		f.answer, f.verdict = positive, uds.Accepted
	case "refuse":
		code := rapid.SampledFrom([]byte{0x11, 0x22, 0x31, 0x7F}).Draw(t, "code")
		f.answer, f.verdict = []byte{0x7F, request[0], code}, uds.Refused
	default:
		f.verdict = uds.NoAnswer
		if suppressed && f.pending == 0 {
			f.verdict = uds.Silent
		}
	}
	return request, f
}

// A tester and a unit that both keep the standard: each request gets the verdict it should, whatever
// is said beside it. Where frames are lost, nothing but an answer that came is said with certainty.
func TestEachRequestGetsItsVerdict(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := uds.NewDialogue()
		at := capture.Stamp(0)
		message := func(payload []byte) uds.Message {
			at = at.Add(time.Duration(rapid.IntRange(1, 49).Draw(t, "ms")) * time.Millisecond)
			return uds.Message{Start: at, End: at, Payload: payload}
		}
		for range rapid.IntRange(1, 20).Draw(t, "requests") {
			request, f := drawFate(t)
			loses := rapid.IntRange(0, 4).Draw(t, "lost") == 0
			var got []uds.Exchange
			take := func(all []uds.Exchange) {
				for _, e := range all {
					if e.Request.Service != uds.TesterPresent {
						e.Asked.Payload = append([]byte{}, e.Asked.Payload...)
						got = append(got, e)
					}
				}
			}
			take(d.Ask(message(request)))
			for range f.pending {
				take(d.Answer(message([]byte{0x7F, request[0], 0x78})))
				take(d.AskAll(message([]byte{0x3E, 0x80})))
			}
			if loses {
				d.Lost()
			}
			if f.answer != nil {
				take(d.Answer(message(f.answer)))
			}
			at = at.Add(f.settling)
			take(d.Advance(at))
			require.Len(t, got, 1)
			want := f.verdict
			if loses && f.answer == nil {
				want = uds.Unknown
			}
			require.Equal(t, want, got[0].Verdict)
			require.Equal(t, f.pending, got[0].Pending.Count)
			require.Equal(t, request, got[0].Asked.Payload)
		}
	})
}

// Random messages in random order: nothing breaks, and every request is settled exactly once.
func FuzzDialogue(f *testing.F) {
	f.Add([]byte{0, 4, 0x31, 1, 3, 1, 1, 3, 0x7F, 0x31, 0x78, 1, 4, 0x71, 1, 3, 1})
	f.Add([]byte{2, 2, 0x3E, 0x80, 0, 5, 0x22, 0x2B, 1, 0x2B, 2, 1, 9, 0x62, 0x2B, 1, 1, 0xF4, 0x2B, 2, 1, 0x90})
	f.Add([]byte{0, 2, 0x10, 3, 1, 6, 0x50, 3, 0, 0x32, 1, 0xF4, 5, 0, 3, 0, 4, 1, 0x71, 6, 1, 0x31})
	f.Add([]byte{0, 3, 0x31, 1, 0, 1, 3, 0x7F, 0x31, 0x21, 0, 3, 0x31, 1, 0, 0x87, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		d := uds.NewDialogue()
		asked, settled := 0, 0
		count := func(all []uds.Exchange) {
			for _, e := range all {
				if len(e.Asked.Payload) > 0 {
					settled++
				}
			}
		}
		at := capture.Stamp(0)
		for len(data) >= 2 {
			kind, n := data[0], min(int(data[1]), len(data)-2)
			payload := data[2 : 2+n]
			data = data[2+n:]
			at = at.Add(time.Duration(kind>>4) * 700 * time.Millisecond)
			m := uds.Message{Start: at, End: at, Payload: payload}
			if n > 0 && (kind&7 == 0 || kind&7 == 2 || kind&7 == 6) {
				asked++
			}
			switch kind & 7 {
			case 0:
				count(d.Ask(m))
			case 1:
				count(d.Answer(m))
				_, _ = uds.AppendRecords(nil, nil, payload, func(id uint16) (int, bool) { return int(id & 7), id&8 == 0 })
			case 2:
				count(d.AskAll(m))
			case 3:
				d.Lost()
			case 4:
				count(d.AnswerInPart(m))
			case 5:
				count(d.Advance(at))
			case 6:
				count(d.AskInPart(m))
			}
		}
		count(d.End(at))
		require.Equal(t, asked, settled)
	})
}

// Random requests, answers and lengths: records lie one after the other within the answer, each was
// asked for in that order, and without an error all bytes are used.
func FuzzAppendRecords(f *testing.F) {
	f.Add([]byte{0x22, 0x2B, 1, 0x2B, 2}, []byte{0x62, 0x2B, 1, 1, 0xF4, 0x2B, 2, 1, 0x90}, uint8(2))
	f.Add([]byte{0x22, 0x2B, 1}, []byte{0x62, 0x2B, 1, 0x2B, 2}, uint8(0))
	f.Add([]byte{0x22}, []byte{0x62, 0x2B, 1, 0}, uint8(1))
	f.Add([]byte{}, []byte{0x62, 0x2B, 1, 0, 0x2B}, uint8(1))
	f.Fuzz(func(t *testing.T, request, answer []byte, length uint8) {
		records, err := uds.AppendRecords(nil, request, answer, func(id uint16) (int, bool) {
			return int(length) - int(id%3), id%5 != 0
		})
		at, asked := 1, 1
		for _, r := range records {
			require.Equal(t, at+2, r.From)
			require.LessOrEqual(t, r.From, r.To)
			require.LessOrEqual(t, r.To, len(answer))
			require.Equal(t, r.Identifier, uint16(answer[at])<<8|uint16(answer[at+1]))
			for len(request) > 0 && uint16(request[asked])<<8|uint16(request[asked+1]) != r.Identifier {
				asked += 2
			}
			asked += 2
			at = r.To
		}
		if err == nil && len(answer) > 0 {
			require.Equal(t, len(answer), at)
		}
		if err != nil {
			require.LessOrEqual(t, len(records), 1)
		}
	})
}
