package decode

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/uds"
)

// conversation writes frames 10 ms apart: '7E0 02 01 0C', identifiers of more than three digits are
// extended.
func conversation(t testing.TB, lines ...string) []capture.Frame {
	var frames []capture.Frame
	for i, line := range lines {
		id, payload, _ := strings.Cut(line, " ")
		var number uint32
		_, err := fmt.Sscanf(id, "%X", &number)
		require.NoError(t, err, line)
		f := standard(t, capture.ID(number), payload)
		if len(id) > 3 {
			f.Flags = capture.Extended
		}
		f.At, f.Packet = capture.Stamp(i)*1e7, uint64(i+1)
		frames = append(frames, f)
	}
	return frames
}

// parameters are the built-in quantities of service 0x01, formulas as in public tables of SAE J1979.
func parameters() []Signal {
	of := func(name string, id uint8, bytes int, scale, offset float64) Signal {
		return Signal{Name: name, Scale: scale, Offset: offset, Origin: Origin{Kind: FromParameter, Service: 1, Parameter: id, Length: bytes},
			Field: Field{From: 0, To: bytes - 1, Order: HighFirst, Mask: 1<<(8*bytes) - 1}}
	}
	return []Signal{of("rpm", 0x0C, 2, 0.25, 0), of("kmh", 0x0D, 1, 1, 0), of("run_s", 0x1F, 2, 1, 0),
		of("baro_kPa", 0x33, 1, 1, 0), of("volts", 0x42, 2, 0.001, 0), of("ambient_C", 0x46, 1, 1, -40)}
}

// Traces in the form of ISO 15765-4 and SAE J1979; readings by hand.
func TestParameters(t *testing.T) {
	signals := parameters()
	for _, c := range []struct {
		name  string
		lines []string
		want  []string
	}{
		{"engine speed", []string{"7DF 02 01 0C 55 55 55 55 55", "7E8 04 41 0C 1A F8 55 55 55"}, []string{"rpm=1726"}},
		{"vehicle speed", []string{"7E8 03 41 0D 32 55 55 55 55"}, []string{"kmh=50"}},
		{"barometer", []string{"7E8 03 41 33 65 55 55 55 55"}, []string{"baro_kPa=101"}},
		{"voltage", []string{"7E8 04 41 42 30 D4 55 55 55"}, []string{"volts=12.5"}},
		{"ambient", []string{"7E8 03 41 46 3C 55 55 55 55", "7E8 03 41 46 00 55 55 55 55", "7E8 03 41 46 FF 55 55 55 55"},
			[]string{"ambient_C=20", "ambient_C=-40", "ambient_C=215"}},
		{"run time", []string{"7E8 04 41 1F 00 B4 55 55 55"}, []string{"run_s=180"}},
		{"greatest", []string{"7E8 04 41 0C FF FF 55 55 55"}, []string{"rpm=1.638e+04"}},
		{"several in one answer of two frames", []string{"7DF 04 01 0C 0D 33 55 55 55", "7E8 10 08 41 0C 1A F8 0D 32",
			"7E0 30 00 00 55 55 55 55 55", "7E8 21 33 65 55 55 55 55 55"}, []string{"rpm=1726", "kmh=50", "baro_kPa=101"}},
		{"29 bits, any unit", []string{"18DB33F1 02 01 0D 55 55 55 55 55", "18DAF110 03 41 0D 32 55 55 55 55"}, []string{"kmh=50"}},
		{"freeze frame is not live", []string{"7E8 05 42 0C 00 1A F8 55 55"}, []string{}},
		{"refused", []string{"7E8 03 7F 01 12 55 55 55 55"}, []string{}},
		{"second unit does not count", []string{"7E9 03 41 0D 30 55 55 55 55", "7E8 03 41 0D 32 55 55 55 55"}, []string{"kmh=48"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := decoderOn(t, signals, "can0")
			got := d.Decode(conversation(t, c.lines...), nil)
			require.Equal(t, c.want, told(signals, got))
			require.Empty(t, d.Undecodable())
		})
	}
	d := decoderOn(t, signals, "can0")
	d.Decode(conversation(t, "7E9 03 41 0D 30", "7E8 03 41 0D 32"), nil)
	require.Equal(t, []Report{{Signal: 1, Source: 0xE8, Values: 1, FirstAt: 1e7, FirstPacket: 2}}, d.Reports())
}

func TestParametersOfANamedBus(t *testing.T) {
	signals := parameters()
	for i := range signals {
		signals[i].Origin.Bus = "can1"
	}
	d := decoderOn(t, signals, "can0", "can1")
	frames := conversation(t, "7E8 03 41 0D 32", "7E8 03 41 0D 33")
	frames[1].Bus = 1
	require.Equal(t, []string{"kmh=51"}, told(signals, d.Decode(frames, nil)))
}

func TestSampleOfAnAnswerCarriesItsLastPacket(t *testing.T) {
	d := decoderOn(t, parameters(), "can0")
	got := d.Decode(conversation(t, "7E8 10 08 41 0C 1A F8 0D 32", "7E0 30 00 00", "7E8 21 33 65 55 55 55 55 55"), nil)
	require.Len(t, got, 3)
	for _, s := range got {
		require.EqualValues(t, 3, s.Packet)
		require.EqualValues(t, 2e7, s.At)
	}
}

// identifiers are two data identifiers of two bytes that one unit answers, high byte first.
func identifiers(a Address) []Signal {
	of := func(name string, id uint16) Signal {
		return Signal{Name: name, Scale: 0.01, Origin: Origin{Kind: FromIdentifier, Identifier: id, Address: a, Length: 2},
			Field: Field{From: 0, To: 1, Order: HighFirst, Mask: 0xFFFF}}
	}
	return []Signal{of("left", 0x2B01), of("right", 0x2B02)}
}

// Traces in the form of ISO 14229-1 over ISO 15765-2; readings by hand.
func TestDataIdentifiers(t *testing.T) {
	for _, c := range []struct {
		name    string
		address Address
		lines   []string
		want    []string
	}{
		{"one", Address{Request: 0x6D4, Response: 0x6DC}, []string{"6D4 03 22 2B 01", "6DC 05 62 2B 01 01 F4"}, []string{"left=5"}},
		{"two in two frames", Address{Request: 0x6D4, Response: 0x6DC},
			[]string{"6D4 05 22 2B 01 2B 02", "6DC 10 09 62 2B 01 01 F4 2B", "6D4 30 00 00", "6DC 21 02 01 90 CC CC CC CC"}, []string{"left=5", "right=4"}},
		{"only the second is answered", Address{Request: 0x6D4, Response: 0x6DC},
			[]string{"6D4 05 22 2B 01 2B 02", "6DC 05 62 2B 02 01 90"}, []string{"right=4"}},
		{"data that looks like an identifier", Address{Request: 0x6D4, Response: 0x6DC},
			[]string{"6D4 03 22 2B 01", "6DC 05 62 2B 01 2B 02"}, []string{"left=110.1"}},
		{"answer too short for its identifier", Address{Request: 0x6D4, Response: 0x6DC},
			[]string{"6D4 03 22 2B 01", "6DC 04 62 2B 01 01"}, []string{}},
		{"refused", Address{Request: 0x6D4, Response: 0x6DC}, []string{"6D4 03 22 2B 01", "6DC 03 7F 22 31"}, []string{}},
		{"mixed addressing", Address{Request: 0x6D4, Response: 0x6DC, Mixed: true, Extension: 0x3A},
			[]string{"6D4 3A 03 22 2B 01", "6DC 3A 05 62 2B 01 01 F4"}, []string{"left=5"}},
		{"extended addressing", Address{Request: 0x6D4, Response: 0x6DC, ByTarget: true, RequestTarget: 0x3A, ReplyTarget: 0xF1},
			[]string{"6D4 3A 03 22 2B 01", "6DC F1 05 62 2B 01 01 F4", "6DC 3A 05 62 2B 01 01 F5"}, []string{"left=5"}},
		{"29 bits", Address{Request: 0x18DA10F1, Response: 0x18DAF110, Extended: true},
			[]string{"18DA10F1 03 22 2B 01", "18DAF110 05 62 2B 01 01 F4"}, []string{"left=5"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			signals := identifiers(c.address)
			d := decoderOn(t, signals, "can0")
			require.Equal(t, c.want, told(signals, d.Decode(conversation(t, c.lines...), nil)))
			require.Empty(t, d.Undecodable())
		})
	}
}

// TestOnePairServesBoth has the identifiers of service 0x01 also carry other requests, as is usual.
func TestOnePairServesBoth(t *testing.T) {
	for _, a := range []Address{{Request: 0x7E0, Response: 0x7E8}, {Request: 0x18DA10F1, Response: 0x18DAF110, Extended: true}} {
		signals := append(parameters(), identifiers(a)...)
		d := decoderOn(t, signals, "can0")
		ask, answer := fmt.Sprintf("%X ", uint32(a.Request)), fmt.Sprintf("%X ", uint32(a.Response))
		got := d.Decode(conversation(t, ask+"02 01 0D", answer+"03 41 0D 32", ask+"03 22 2B 01", answer+"05 62 2B 01 01 F4"), nil)
		require.Equal(t, []string{"kmh=50", "left=5"}, told(signals, got))
		require.Len(t, d.Talk(), 2)
		require.Equal(t, uds.Accepted, d.Talk()[1].Exchange.Verdict)
	}
}

// TestMessageOfSeveralPackets takes the broadcast of SAE J1939-21: 20 bytes of group 65200, the air
// compressor's hours in its last four (0.05 h per bit: 45 is 2.25 h).
func TestMessageOfSeveralPackets(t *testing.T) {
	hours := Signal{Name: "hours", Scale: 0.05, Origin: Origin{Kind: FromGroup, Group: 65200, Source: AnySource},
		Field: Field{From: 16, To: 19, Order: LowFirst, Mask: 0xFFFFFFFF}}
	whole := []string{"1CECFF2F 20 14 00 03 FF B0 FE 00", "1CEBFF2F 01 FF FF FF FF FF FF FF",
		"1CEBFF2F 02 FF FF FF FF FF FF FF", "1CEBFF2F 03 FF FF 2D 00 00 00 FF"}
	d := decoderOn(t, []Signal{hours}, "can0")
	got := d.Decode(conversation(t, whole...), nil)
	require.Equal(t, []string{"hours=2.25"}, told(d.Signals(), got))
	require.EqualValues(t, 4, got[0].Packet)

	d = decoderOn(t, []Signal{hours}, "can0")
	require.Empty(t, d.Decode(conversation(t, append(whole[:2:2], whole[3])...), nil), "a packet is missing")

	d = decoderOn(t, []Signal{hours}, "can0")
	d.Decode(conversation(t, whole[:2]...), nil)
	d.Observe(capture.Event{Kind: capture.EventLoss, Bus: 0, Count: 1})
	require.Empty(t, d.Decode(conversation(t, whole[2:]...), nil), "frames were lost inside")
}

func TestTalkOfAPairFromTheJobCard(t *testing.T) {
	d, err := NewDecoder(nil)
	require.NoError(t, err)
	d.Listen(Address{Request: 0x6D4, Response: 0x6DC})
	d.Observe(capture.Event{Kind: capture.EventBus, Name: "can0"})
	play := func(from time.Duration, lines ...string) []Talk {
		frames := conversation(t, lines...)
		for i := range frames {
			frames[i].At = frames[i].At.Add(from)
		}
		require.Empty(t, d.Decode(frames, nil))
		return d.Talk()
	}
	said := play(0, "6D4 02 10 03", "6DC 06 50 03 00 32 01 F4")
	require.Len(t, said, 2)
	require.Equal(t, []TalkKind{TalkExchange, TalkSession}, []TalkKind{said[0].Kind, said[1].Kind})
	require.Equal(t, uds.Accepted, said[0].Exchange.Verdict)
	require.EqualValues(t, 3, said[1].Session.ID)

	said = play(time.Second, "6D4 04 31 01 03 02", "6DC 03 7F 31 22")
	require.Len(t, said, 1)
	require.Equal(t, uds.Refused, said[0].Exchange.Verdict)
	require.Equal(t, []byte{0x31, 0x01, 0x03, 0x02}, said[0].Exchange.Asked.Payload)
	require.Equal(t, []byte{0x7F, 0x31, 0x22}, said[0].Exchange.Answered.Payload)

	require.Empty(t, play(2*time.Second, "6D4 03 22 2B 01"), "an answer may still come")
	said = play(60*time.Second, "123 00")
	require.Equal(t, uds.NoAnswer, said[0].Exchange.Verdict)

	require.Empty(t, play(61*time.Second, "6D4 03 22 2B 01"))
	d.End(capture.Stamp(61*time.Second), nil)
	require.Len(t, d.Talk(), 1)
	require.Equal(t, uds.Unknown, d.Talk()[0].Exchange.Verdict, "the recording ended first")
}

func TestMessageThatWasNotRecordedWholeIsTold(t *testing.T) {
	signals := identifiers(Address{Request: 0x6D4, Response: 0x6DC})
	d := decoderOn(t, signals, "can0")
	got := d.Decode(conversation(t, "6D4 05 22 2B 01 2B 02", "6DC 10 10 62 2B 01 01 F4 2B", "6D4 30 00 00", "6DC 22 02 01 90 CC CC CC CC"), nil)
	require.Empty(t, got)
	require.NotEmpty(t, d.Talk())
	require.Equal(t, TalkIncomplete, d.Talk()[0].Kind)
	require.Contains(t, d.Talk()[0].Packets, uint64(2))
	require.NotEmpty(t, d.Talk()[0].Problem)
}

// TestLossInsideAMessage has frames lost whose place the counters happen to hide: what stands on both
// sides must not be joined.
func TestLossInsideAMessage(t *testing.T) {
	for name, lost := range losses {
		d := decoderOn(t, identifiers(Address{Request: 0x6D4, Response: 0x6DC}), "can0")
		frames := conversation(t, "6D4 05 22 2B 01 2B 02", "6DC 10 09 62 2B 01 01 F4 2B", "6D4 30 00 00", "6DC 21 02 01 90 CC CC CC CC")
		d.Decode(frames[:3], nil)
		d.Observe(lost)
		require.Equal(t, TalkIncomplete, d.Talk()[0].Kind, name)
		require.Empty(t, d.Decode(frames[3:], nil), name)
	}
}

// losses are the events behind which frames may be missing.
var losses = map[string]capture.Event{
	"frames lost":            {Kind: capture.EventLoss, Bus: 0, Count: 16},
	"something not readable": {Kind: capture.EventDamage, Err: errors.New("a hole in the file")},
}

func TestSilenceAfterALossIsNoRefusal(t *testing.T) {
	verdict := func(events ...capture.Event) uds.Verdict {
		d := decoderOn(t, identifiers(Address{Request: 0x6D4, Response: 0x6DC}), "can0")
		d.Decode(conversation(t, "6D4 03 22 2B 01"), nil)
		for _, e := range events {
			d.Observe(e)
		}
		later := conversation(t, "123 00")
		later[0].At = 60e9
		d.Decode(later, nil)
		return d.Talk()[0].Exchange.Verdict
	}
	require.Equal(t, uds.NoAnswer, verdict())
	for name, lost := range losses {
		require.Equal(t, uds.Unknown, verdict(lost), name)
	}
}

func TestSilenceIsSeenAfterTimeStepsBack(t *testing.T) {
	d := decoderOn(t, identifiers(Address{Request: 0x6D4, Response: 0x6DC}), "can0")
	at := func(seconds capture.Stamp, line string) []Talk {
		f := conversation(t, line)
		f[0].At = seconds * 1e9
		d.Decode(f, nil)
		return d.Talk()
	}
	require.Empty(t, at(1000, "123 00"))
	require.Empty(t, at(1, "6D4 03 22 2B 01"))
	require.Len(t, at(11, "123 00"), 1)
	require.Equal(t, uds.NoAnswer, d.Talk()[0].Exchange.Verdict)
}

func TestMessageWithAFrameWithoutATimeMakesNoSample(t *testing.T) {
	hours := Signal{Name: "hours", Scale: 1, Origin: Origin{Kind: FromGroup, Group: 65200, Source: AnySource}, Field: Field{Mask: 0xFF}}
	signals := append(identifiers(Address{Request: 0x6D4, Response: 0x6DC}), hours)
	whole := conversation(t, "6D4 05 22 2B 01 2B 02", "6DC 10 09 62 2B 01 01 F4 2B", "6D4 30 00 00", "6DC 21 02 01 90 CC CC CC CC",
		"1CECFF2F 20 0A 00 02 FF B0 FE 00", "1CEBFF2F 01 01 02 03 04 05 06 07", "1CEBFF2F 02 08 09 0A FF FF FF FF")
	require.Len(t, decoderOn(t, signals, "can0").Decode(whole, nil), 3)
	for _, i := range []int{1, 5} {
		frames := append([]capture.Frame(nil), whole...)
		frames[i].Flags |= capture.Untimed
		for _, s := range decoderOn(t, signals, "can0").Decode(frames, nil) {
			require.Equal(t, i == 1, signals[s.Signal].Name == "hours", "frame %d", i)
		}
	}
}

func TestAnswerThatCanNotBeTakenApartIsTold(t *testing.T) {
	signals := identifiers(Address{Request: 0x6D4, Response: 0x6DC})
	d := decoderOn(t, signals, "can0")
	require.Empty(t, d.Decode(conversation(t, "6D4 05 22 2B 77 2B 01", "6DC 07 62 2B 77 01 2B 01 05"), nil))
	require.Equal(t, TalkUnreadable, d.Talk()[0].Kind)
	require.Contains(t, d.Talk()[0].Problem, "0x2B77")

	d = decoderOn(t, parameters(), "can0")
	require.Equal(t, []string{"kmh=50"}, told(d.Signals(), d.Decode(conversation(t, "7E8 05 41 0D 32 55 01"), nil)))
	require.Equal(t, TalkUnreadable, d.Talk()[0].Kind)
}

// TestTesterPresentReachesEveryUnit has a tester keep the session with a request under an identifier
// that no definition names.
func TestTesterPresentReachesEveryUnit(t *testing.T) {
	d := decoderOn(t, identifiers(Address{Request: 0x6D4, Response: 0x6DC}), "can0")
	d.Decode(conversation(t, "6D4 02 10 03", "6DC 06 50 03 00 32 01 F4"), nil)
	for i := range 20 {
		f := conversation(t, "7DF 02 3E 80")
		f[0].At = capture.Stamp(i+1) * 2e9
		d.Decode(f, nil)
		for _, said := range d.Talk() {
			require.NotEqual(t, TalkSession, said.Kind, "the session goes on while the tester says that it is there")
		}
	}
	f := conversation(t, "123 00")
	f[0].At = 60e9
	d.Decode(f, nil)
	require.Equal(t, TalkSession, d.Talk()[0].Kind, "5 s after the last of them it has ended (S3, ISO 14229-2)")
}

func TestPollingAllocatesNothing(t *testing.T) {
	d := decoderOn(t, append(parameters(), identifiers(Address{Request: 0x6D4, Response: 0x6DC})...), "can0")
	frames := conversation(t, "6D4 05 22 2B 01 2B 02", "6DC 10 09 62 2B 01 01 F4 2B", "6D4 30 00 00", "6DC 21 02 01 90 CC CC CC CC",
		"7DF 02 01 0D", "7E8 03 41 0D 32", "7DF 02 3E 80")
	var into []Sample
	one := func() {
		into = d.Decode(frames, into[:0])
		for i := range frames {
			frames[i].At = frames[i].At.Add(100 * time.Millisecond)
		}
	}
	one()
	require.Equal(t, []string{"left=5", "right=4", "kmh=50"}, told(d.Signals(), into))
	require.Zero(t, testing.AllocsPerRun(100, one))
}
