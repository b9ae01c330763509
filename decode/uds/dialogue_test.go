package uds_test

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/uds"
)

func unhex(t testing.TB, text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err, text)
	return b
}

// act is one line of a written dialogue: what is fed to it, how long after the line before.
type act struct {
	kind  string // ask, all, answer, ask-part, answer-part, lost, wait
	bytes string
	after time.Duration
}

func ask(bytes string) act           { return act{"ask", bytes, 10 * time.Millisecond} }
func askAll(bytes string) act        { return act{"all", bytes, 10 * time.Millisecond} }
func answer(bytes string) act        { return act{"answer", bytes, 10 * time.Millisecond} }
func part(bytes string) act          { return act{"answer-part", bytes, 10 * time.Millisecond} }
func askPart(bytes string) act       { return act{"ask-part", bytes, 10 * time.Millisecond} }
func lost() act                      { return act{"lost", "", 0} }
func wait(d time.Duration) act       { return act{"wait", "", d} }
func (a act) in(d time.Duration) act { a.after = d; return a }

// play feeds the lines. Packets count from 1. It returns what was settled, as text, and the dialogue.
func play(t testing.TB, acts []act) ([]string, *uds.Dialogue) {
	d := uds.NewDialogue()
	var out []string
	note := func(all []uds.Exchange) {
		for _, e := range all {
			out = append(out, sentence(e))
		}
	}
	at := capture.Stamp(0)
	for i, a := range acts {
		at = at.Add(a.after)
		m := uds.Message{Start: at, End: at, First: uint64(i + 1), Last: uint64(i + 1), Payload: unhex(t, a.bytes)}
		switch a.kind {
		case "ask":
			note(d.Ask(m))
		case "all":
			note(d.AskAll(m))
		case "answer":
			note(d.Answer(m))
		case "ask-part":
			note(d.AskInPart(m))
		case "answer-part":
			note(d.AnswerInPart(m))
		case "lost":
			d.Lost()
		case "wait":
			note(d.Advance(at))
		}
	}
	note(d.End(at))
	return out, d
}

// sentence says an exchange in one line.
func sentence(e uds.Exchange) string {
	text := fmt.Sprintf("% X: %s", e.Asked.Payload, e.Verdict)
	if e.Verdict == uds.Refused || e.Verdict == uds.Busy {
		text += ", " + e.Code.String()
	}
	if e.Pending.Count > 0 {
		text += fmt.Sprintf(", pending %d from %s to %s", e.Pending.Count,
			time.Duration(e.Pending.FirstAt), time.Duration(e.Pending.LastAt))
	}
	if e.Functional {
		text += ", asked of all"
	}
	return text
}

// Payloads and verdicts follow ISO 14229-1; the payloads were dissected with a general
// packet-manipulation library.
func TestVerdicts(t *testing.T) {
	const silence = 10 * time.Second
	tests := []struct {
		name string
		in   []act
		want []string
	}{
		{"session control", []act{ask("10 03"), answer("50 03 00 32 01 F4")}, []string{"10 03: accepted"}},
		{"pending twice, then accepted", []act{
			ask("31 01 03 01"), answer("7F 31 78"), answer("7F 31 78").in(2 * time.Second), answer("71 01 03 01").in(2 * time.Second),
		}, []string{"31 01 03 01: accepted, pending 2 from 20ms to 2.02s"}},
		{"refused", []act{ask("31 01 03 02"), answer("7F 31 22")}, []string{"31 01 03 02: refused, conditionsNotCorrect"}},
		{"pending, then refused", []act{ask("31 01 03 02"), answer("7F 31 78"), answer("7F 31 22").in(time.Second)},
			[]string{"31 01 03 02: refused, conditionsNotCorrect, pending 1 from 20ms to 20ms"}},
		{"suppressed", []act{ask("31 81 03 01"), wait(silence)}, []string{"31 81 03 01: silent, none was due"}},
		{"suppressed, answered all the same", []act{ask("31 81 03 01"), answer("71 01 03 01")}, []string{"31 81 03 01: accepted"}},
		{"suppressed and refused", []act{ask("31 81 03 01"), answer("7F 31 22")}, []string{"31 81 03 01: refused, conditionsNotCorrect"}},
		{"suppressed, pending, then the final answer", []act{ask("31 81 03 01"), answer("7F 31 78"), answer("71 01 03 01").in(time.Second)},
			[]string{"31 81 03 01: accepted, pending 1 from 20ms to 20ms"}},
		{"suppressed, pending, then nothing", []act{ask("31 81 03 01"), answer("7F 31 78"), wait(silence)},
			[]string{"31 81 03 01: no answer, pending 1 from 20ms to 20ms"}},
		{"stop and results", []act{ask("31 02 03 01"), answer("71 02 03 01"), ask("31 03 03 01"), answer("71 03 03 01 02")},
			[]string{"31 02 03 01: accepted", "31 03 03 01: accepted"}},
		{"another routine's answer is none", []act{ask("31 01 03 01"), answer("71 01 03 02"), wait(silence)},
			[]string{": answer without a request", "31 01 03 01: no answer"}},
		{"another sub-function's answer is none", []act{ask("31 01 03 01"), answer("71 02 03 01"), wait(silence)},
			[]string{": answer without a request", "31 01 03 01: no answer"}},
		{"another service's refusal is none", []act{ask("31 01 03 01"), answer("7F 22 31"), wait(silence)},
			[]string{": answer without a request", "31 01 03 01: no answer"}},
		{"several identifiers", []act{ask("22 2B 01 2B 02"), answer("62 2B 01 01 F4 2B 02 01 90")}, []string{"22 2B 01 2B 02: accepted"}},
		{"only the second identifier", []act{ask("22 2B 01 2B 02"), answer("62 2B 02 01 90")}, []string{"22 2B 01 2B 02: accepted"}},
		{"an identifier nobody asked for", []act{ask("22 2B 01 2B 02"), answer("62 01 2B 01 90"), wait(silence)},
			[]string{": answer without a request", "22 2B 01 2B 02: no answer"}},
		{"unknown identifier", []act{ask("22 2B 77"), answer("7F 22 31")}, []string{"22 2B 77: refused, requestOutOfRange"}},
		{"tester present, silent", []act{ask("3E 80")}, []string{"3E 80: silent, none was due"}},
		{"tester present, answered", []act{ask("3E 00"), answer("7E 00")}, []string{"3E 00: accepted"}},
		{"tester present while an answer is pending", []act{
			ask("31 01 03 01"), answer("7F 31 78"), ask("3E 80"), answer("71 01 03 01"),
		}, []string{"3E 80: silent, none was due", "31 01 03 01: accepted, pending 1 from 20ms to 20ms"}},
		{"valve under control, then returned", []act{ask("2F 2B 10 03 FF"), answer("6F 2B 10 03 FF"), ask("2F 2B 10 00"), answer("6F 2B 10 00")},
			[]string{"2F 2B 10 03 FF: accepted", "2F 2B 10 00: accepted"}},
		{"write", []act{ask("2E 2B 01 00"), answer("6E 2B 01")}, []string{"2E 2B 01 00: accepted"}},
		{"wrong key", []act{ask("27 01"), answer("67 01 12 34 AB CD"), ask("27 02 AA BB"), answer("7F 27 35")},
			[]string{"27 01: accepted", "27 02 AA BB: refused, invalidKey"}},
		{"fault codes off, messages off", []act{ask("85 02"), answer("C5 02"), ask("28 03 01"), answer("68 03")},
			[]string{"85 02: accepted", "28 03 01: accepted"}},
		{"reset, clear, read fault codes", []act{
			ask("11 01"), answer("51 01"), ask("14 FF FF FF"), answer("54"), ask("19 02 FF"), answer("59 02 FF 12 34 56 2F"),
		}, []string{"11 01: accepted", "14 FF FF FF: accepted", "19 02 FF: accepted"}},
		{"unknown service", []act{ask("BA 01 02"), answer("FA 05"), ask("05"), answer("7F 05 11")},
			[]string{"BA 01 02: accepted", "05: refused, serviceNotSupported"}},
		{"no answer", []act{ask("31 01 03 01"), wait(silence)}, []string{"31 01 03 01: no answer"}},
		{"P2 and the margin are waited for", []act{ask("31 01 03 01"), wait(1050 * time.Millisecond), answer("71 01 03 01").in(0)},
			[]string{"31 01 03 01: accepted"}},
		{"after P2 and the margin", []act{ask("31 01 03 01"), answer("71 01 03 01").in(1051 * time.Millisecond)},
			[]string{"31 01 03 01: no answer", ": answer without a request"}},
		{"the unit's own P2 is waited for", []act{
			ask("10 03"), answer("50 03 07 D0 01 F4"), // 2000 ms
			ask("31 01 03 01"), answer("71 01 03 01").in(2900 * time.Millisecond),
		}, []string{"10 03: accepted", "31 01 03 01: accepted"}},
		{"the unit's own P2* is waited for", []act{
			ask("10 03"), answer("50 03 00 32 03 E8"), // 10 s
			ask("31 01 03 01"), answer("7F 31 78"), answer("71 01 03 01").in(10900 * time.Millisecond),
		}, []string{"10 03: accepted", "31 01 03 01: accepted, pending 1 from 40ms to 40ms"}},
		{"pending, then nothing", []act{ask("31 01 03 01"), answer("7F 31 78"), wait(6 * time.Second), wait(time.Millisecond)},
			[]string{"31 01 03 01: no answer, pending 1 from 20ms to 20ms"}},
		{"the next request comes first", []act{ask("31 01 03 01"), ask("22 2B 01"), answer("62 2B 01 00")},
			[]string{"31 01 03 01: no answer seen", "22 2B 01: accepted"}},
		{"busy, asked again", []act{ask("31 01 03 01"), answer("7F 31 21"), ask("31 01 03 01"), answer("71 01 03 01")},
			[]string{"31 01 03 01: busy, asked again, busyRepeatRequest", "31 01 03 01: accepted"}},
		{"busy, given up", []act{ask("31 01 03 01"), answer("7F 31 21"), ask("22 2B 01"), answer("62 2B 01 00")},
			[]string{"31 01 03 01: refused, busyRepeatRequest", "22 2B 01: accepted"}},
		{"busy, given up in silence", []act{ask("31 01 03 01"), answer("7F 31 21"), wait(silence)},
			[]string{"31 01 03 01: refused, busyRepeatRequest"}},
		{"functional, silent", []act{askAll("22 2B 01"), wait(silence)}, []string{"22 2B 01: none due, asked of all"}},
		{"functional, answered", []act{askAll("22 2B 01"), answer("62 2B 01 00")}, []string{"22 2B 01: accepted, asked of all"}},
		{"functional beside a physical one", []act{ask("31 01 03 01"), askAll("3E 80"), askAll("10 03"), answer("50 03"), answer("71 01 03 01")},
			[]string{"3E 80: silent, none was due, asked of all", "10 03: accepted, asked of all", "31 01 03 01: accepted"}},
		{"functional, pending, then nothing", []act{askAll("14 FF FF FF"), answer("7F 14 78"), wait(silence)},
			[]string{"14 FF FF FF: no answer, pending 1 from 20ms to 20ms, asked of all"}},
		{"frames lost while it waits", []act{ask("31 01 03 02"), lost(), wait(silence)}, []string{"31 01 03 02: cannot tell"}},
		{"frames lost before the next request", []act{ask("31 01 03 02"), lost(), ask("22 2B 01"), answer("62 2B 01 00")},
			[]string{"31 01 03 02: cannot tell", "22 2B 01: accepted"}},
		{"frames lost, a refusal could have been there", []act{ask("31 81 03 02"), lost(), wait(silence)}, []string{"31 81 03 02: cannot tell"}},
		{"frames lost before it", []act{lost(), ask("31 01 03 02"), wait(silence)}, []string{"31 01 03 02: no answer"}},
		{"the answer in part", []act{ask("22 2B 01"), part("62 2B 01 00")}, []string{"22 2B 01: answered, not all of it recorded"}},
		{"too little of the answer", []act{ask("22 2B 01"), part(""), wait(silence)}, []string{"22 2B 01: cannot tell"}},
		{"part of another answer", []act{ask("22 2B 01"), part("62 2B 02 00"), wait(silence)}, []string{"22 2B 01: cannot tell"}},
		{"the request in part", []act{askPart("22 2B 01 2B"), wait(silence)}, []string{"22 2B 01 2B: cannot tell"}},
		{"the recording ends", []act{ask("31 01 03 01")}, []string{"31 01 03 01: cannot tell"}},
		{"the recording ends before a refusal could come", []act{ask("31 81 03 01")}, []string{"31 81 03 01: cannot tell"}},
		{"damaged", []act{ask("31 01 03 01"), answer("7F 31"), answer("71"), answer(""), answer("3F 00"), wait(silence)},
			[]string{": damaged", ": damaged", ": damaged", ": damaged", "31 01 03 01: cannot tell"}},
		{"empty requests", []act{ask(""), askAll("")}, []string{": damaged", ": damaged, asked of all"}},
		{"a request too short for its service", []act{ask("31"), answer("7F 31 13")}, []string{"31: refused, incorrectMessageLengthOrInvalidFormat"}},
		{"an answer out of the blue", []act{answer("62 2B 01 00")}, []string{": answer without a request"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, _ := play(t, tt.in)
			require.Equal(t, tt.want, got)
		})
	}
}

func TestExchangeNamesItsEvidence(t *testing.T) {
	d := uds.NewDialogue()
	request := uds.Message{Start: 100, End: 200, First: 7, Last: 9, Payload: unhex(t, "22 2B 01")}
	require.Empty(t, d.Ask(request))
	response := uds.Message{Start: 300, End: 400, First: 10, Last: 14, Payload: unhex(t, "62 2B 01 05")}
	got := d.Answer(response)
	require.Len(t, got, 1)
	require.Equal(t, request, got[0].Asked)
	require.Equal(t, response, got[0].Answered)
	require.Equal(t, capture.Stamp(400), got[0].Decided)
	require.Equal(t, uds.ReadDataByIdentifier, got[0].Request.Service)
	require.Equal(t, uint16(0x2B01), got[0].Request.Identifier)
}

// An overtaken exchange and the one that takes its place have their own payloads.
func TestPayloadsOutliveTheNextRequest(t *testing.T) {
	d := uds.NewDialogue()
	buffer := unhex(t, "31 01 03 01")
	d.Ask(uds.Message{Payload: buffer})
	copy(buffer, unhex(t, "22 2B 01 00"))
	got := d.Ask(uds.Message{Start: 1, End: 1, Payload: buffer})
	require.Len(t, got, 1)
	require.Equal(t, unhex(t, "31 01 03 01"), got[0].Asked.Payload)
	got = d.End(2)
	require.Equal(t, unhex(t, "22 2B 01 00"), got[0].Asked.Payload)
}

// An answer that began in time is in time, however long it took.
func TestLongAnswersCountFromTheirBeginning(t *testing.T) {
	d := uds.NewDialogue()
	d.Ask(uds.Message{Payload: unhex(t, "22 2B 01")})
	got := d.Answer(uds.Message{Start: 50_000_000, End: 70_000_000_000, Payload: unhex(t, "62 2B 01 05")})
	require.Len(t, got, 1)
	require.Equal(t, uds.Accepted, got[0].Verdict)
}

func TestSessions(t *testing.T) {
	type want struct {
		id       uint8
		since    time.Duration
		timedOut bool
	}
	keptAlive := []act{ask("10 03"), answer("50 03 00 32 01 F4")}
	for range 10 {
		keptAlive = append(keptAlive, askAll("3E 80").in(4*time.Second))
	}
	tests := []struct {
		name string
		in   []act
		want want
	}{
		{"nothing heard", nil, want{}},
		{"reading only", []act{ask("22 2B 01"), answer("62 2B 01 00"), wait(time.Minute)}, want{}},
		{"extended", []act{ask("10 03"), answer("50 03 00 32 01 F4")}, want{id: uds.ExtendedSession, since: 20 * time.Millisecond}},
		{"refused", []act{ask("10 03"), answer("7F 10 22")}, want{}},
		{"silent", []act{ask("10 83"), wait(2 * time.Second)}, want{id: uds.ExtendedSession, since: 10 * time.Millisecond}},
		{"back by request", []act{ask("10 03"), answer("50 03"), ask("10 01"), answer("50 01")},
			want{id: uds.DefaultSession, since: 40 * time.Millisecond}},
		{"back by reset", []act{ask("10 03"), answer("50 03"), ask("11 01"), answer("51 01")},
			want{id: uds.DefaultSession, since: 40 * time.Millisecond}},
		{"exactly S3", []act{ask("10 03"), answer("50 03"), wait(5 * time.Second)}, want{id: uds.ExtendedSession, since: 20 * time.Millisecond}},
		{"after S3", []act{ask("10 03"), answer("50 03"), wait(5*time.Second + 1)},
			want{id: uds.DefaultSession, since: 5020 * time.Millisecond, timedOut: true}},
		{"after S3, found by the next request", []act{ask("10 03"), answer("50 03"), ask("22 2B 01").in(6 * time.Second), answer("62 2B 01 00")},
			want{id: uds.DefaultSession, since: 5020 * time.Millisecond, timedOut: true}},
		{"kept alive by requests to all", keptAlive, want{id: uds.ExtendedSession, since: 20 * time.Millisecond}},
		{"kept while an answer is pending", []act{ask("10 03"), answer("50 03"), ask("31 01 03 01"), answer("7F 31 78"), wait(5500 * time.Millisecond)},
			want{id: uds.ExtendedSession, since: 20 * time.Millisecond}},
		{"frames lost in the silence", []act{ask("10 03"), answer("50 03"), lost(), wait(6 * time.Second)},
			want{since: 5020 * time.Millisecond}},
		{"frames lost, then heard again", []act{ask("10 03"), answer("50 03"), lost(), ask("3E 80"), wait(6 * time.Second)},
			want{id: uds.DefaultSession, since: 5030 * time.Millisecond, timedOut: true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, d := play(t, tt.in)
			s := d.Session()
			require.Equal(t, tt.want, want{s.ID, time.Duration(s.Since), s.TimedOut})
		})
	}
}

func TestSessionSaysWhenItEnds(t *testing.T) {
	_, d := play(t, []act{ask("10 03"), answer("50 03")})
	s := d.Session()
	require.Equal(t, capture.Stamp(10*time.Millisecond), s.LastTester)
	require.Equal(t, capture.Stamp(20*time.Millisecond), s.LastActivity)
	require.Equal(t, uint64(2), s.Packet)
	ends, ok := s.Ends()
	require.True(t, ok)
	require.Equal(t, capture.Stamp(5020*time.Millisecond), ends)
	_, ok = uds.Session{ID: uds.DefaultSession}.Ends()
	require.False(t, ok)
	_, ok = uds.Session{}.Ends()
	require.False(t, ok)
}

func TestNothingAllocatedPerMessage(t *testing.T) {
	d := uds.NewDialogue()
	request, response := unhex(t, "22 2B 01 2B 02"), unhex(t, "62 2B 01 01 F4 2B 02 01 90")
	at := capture.Stamp(0)
	feed := func() {
		at = at.Add(time.Millisecond)
		d.Ask(uds.Message{Start: at, End: at, Payload: request})
		d.Answer(uds.Message{Start: at, End: at, Payload: response})
		d.AskAll(uds.Message{Start: at, End: at, Payload: request[:2]})
		d.Ask(uds.Message{Start: at, End: at, Payload: request})
		d.Lost()
		d.Advance(at)
	}
	feed()
	feed()
	require.Zero(t, testing.AllocsPerRun(100, feed))
}

func BenchmarkRequestAndAnswer(b *testing.B) {
	d := uds.NewDialogue()
	request, response := unhex(b, "22 2B 01 2B 02"), unhex(b, "62 2B 01 01 F4 2B 02 01 90")
	at := capture.Stamp(0)
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(time.Millisecond)
		d.Ask(uds.Message{Start: at, End: at, Payload: request})
		d.Answer(uds.Message{Start: at, End: at, Payload: response})
	}
}
