package decode

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
)

// standard and extended make a frame of either format with the payload of a hex text.
func standard(t testing.TB, id capture.ID, payload string) capture.Frame {
	data := bytesOf(t, payload)
	f := capture.Frame{At: 1000, Packet: 7, ID: id, Len: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

func extended(t testing.TB, id capture.ID, payload string) capture.Frame {
	f := standard(t, id, payload)
	f.Flags |= capture.Extended
	return f
}

// pressureAt is an unsigned byte of a standard frame.
func pressureAt(name string, id capture.ID, at int) Signal {
	return Signal{Name: name, Scale: 1, Origin: Origin{Kind: FromFrame, ID: id}, Field: Field{From: at, To: at, Mask: 0xFF}}
}

// decoderOn returns a Decoder that knows the buses by those names, from 0.
func decoderOn(t testing.TB, signals []Signal, buses ...string) *Decoder {
	d, err := NewDecoder(signals)
	require.NoError(t, err)
	for i, name := range buses {
		d.Observe(capture.Event{Kind: capture.EventBus, Bus: capture.BusID(i), Name: name})
	}
	return d
}

// told writes samples as 'name=value' or 'name status', in order.
func told(signals []Signal, samples []Sample) []string {
	list := []string{}
	for _, s := range samples {
		name := signals[s.Signal].Name
		switch word := signals[s.Signal].State(s.Raw); {
		case s.Status != StatusValid:
			list = append(list, name+" "+s.Status.String())
		case word != "":
			list = append(list, name+"="+word)
		default:
			list = append(list, fmt.Sprintf("%s=%.4g", name, s.Value))
		}
	}
	return list
}

// Identifiers of SAE J1939-21 as in public descriptions; the split was done by hand.
func TestParameterGroupOfAnIdentifier(t *testing.T) {
	for id, want := range map[capture.ID]uint32{
		0x18FE5827: 65112, // to all, from 0x27
		0x0CF00400: 61444,
		0x18EAFFF9: 59904, // request to all
		0x18EA2FF9: 59904, // the same to 0x2F: the destination is no part of the number
		0x1CECFF2F: 60416,
		0x18EEFF2F: 60928,
		0x0CD22F27: 53760,
		0x19FE5827: 130648, // data page 1
		0x1AFE5827: 196184, // the reserved bit, which is part of it too
	} {
		require.Equal(t, want, groupOf(id), "%08X", uint32(id))
	}
}

// suspension is a part of SAE J1939-71 as in public tables: positions, scales and states.
func suspension() []Signal {
	var list []Signal
	add := func(name string, group uint32, from, to int, mask uint64, scale, offset float64, invalid uint64, states map[uint64]string) {
		s := Signal{Name: name, Scale: scale, Offset: offset, States: states,
			Origin: Origin{Kind: FromGroup, Group: group, Source: AnySource},
			Field:  Field{From: from, To: to, Order: LowFirst, Mask: mask}}
		if invalid > 0 {
			s.InvalidRaw = []RawRange{{invalid, mask}}
		}
		list = append(list, s)
	}
	word := func(name string, group uint32, at int, scale, offset float64) {
		add(name, group, at, at+1, 0xFFFF, scale, offset, 0xFB00, nil)
	}
	octet := func(name string, group uint32, at int, scale float64) {
		add(name, group, at, at, 0xFF, scale, 0, 0xFB, nil)
	}
	state := func(name string, group uint32, start, length int, words ...string) {
		states := map[uint64]string{}
		for i, w := range words {
			states[uint64(i)] = w
		}
		add(name, group, start/8, start/8, (1<<length-1)<<(start%8), 1, 0, 0, states)
	}
	for i, corner := range []string{"fl", "fr", "rl", "rr"} {
		word(corner+"_kPa", 65112, 2*i, 0.1, 0)
		word(corner+"_mm", 65113, 2*i, 0.1, -3200)
	}
	level := []string{"unspecified", "normal 1", "normal 2"}
	state("front_level", 65114, 0, 4, level...)
	state("rear_level", 65114, 4, 4, level...)
	state("below_front", 65114, 8, 2, "no", "yes")
	state("below_rear", 65114, 10, 2, "no", "yes")
	state("lifting_front", 65114, 20, 2, "no", "yes")
	state("lifting_rear", 65114, 22, 2, "no", "yes")
	state("mode", 65114, 28, 4, "normal", "traction")
	state("inhibit", 65114, 34, 2, "no", "yes")
	state("bump_front", 65114, 40, 2, "no", "yes")
	state("bump_rear", 65114, 42, 2, "no", "yes")
	state("refusal", 65114, 56, 4, "none", "axle load")
	word("engine", 61444, 3, 0.125, 0)
	word("speed", 65265, 1, 1.0/256, 0)
	state("parking_brake", 65265, 2, 2, "not set", "set")
	octet("barometer_kPa", 65269, 0, 0.5)
	word("ambient_C", 65269, 3, 0.03125, -273)
	word("cab_C", 65269, 1, 0.03125, -273)
	word("battery", 65271, 4, 0.05, 0)
	word("key_switch", 65271, 6, 0.05, 0)
	octet("supply", 65198, 0, 8)
	octet("brake_1", 65198, 2, 8)
	octet("brake_2", 65198, 3, 8)
	octet("air_spring_supply", 65198, 5, 8)
	state("compressor", 65198, 48, 2, "off", "on")
	return list
}

// Payloads made up from the layouts of SAE J1939-71; readings by hand.
func TestParameterGroups(t *testing.T) {
	signals := suspension()
	for _, c := range []struct {
		group   uint32
		payload string
		want    []string
	}{
		{65112, "88 13 7B 13 00 FE FF FF", []string{"fl_kPa=500", "fr_kPa=498.7", "rl_kPa invalid", "rr_kPa invalid"}},
		{65112, "00 00 03 00 F5 03 FF FA", []string{"fl_kPa=0", "fr_kPa=0.3", "rl_kPa=101.3", "rr_kPa=6426"}},
		{65112, "00 FB 00 FC 00 FD FF FE", []string{"fl_kPa invalid", "fr_kPa invalid", "rl_kPa invalid", "rr_kPa invalid"}},
		{65113, "00 7D 8D 7C FA 7D 00 FF", []string{"fl_mm=0", "fr_mm=-11.5", "rl_mm=25", "rr_mm invalid"}},
		{65114, "11 04 40 00 F3 F4 F0 F0", []string{"front_level=normal 1", "rear_level=normal 1", "below_front=no", "below_rear=yes",
			"lifting_front=no", "lifting_rear=yes", "mode=normal", "inhibit=no", "bump_front=no", "bump_rear=yes", "refusal=none"}},
		{61444, "F1 7D 82 00 19 00 F3 FF", []string{"engine=800"}},
		{65265, "F3 80 0C FF FF FF FF FF", []string{"speed=12.5", "parking_brake=not set"}},
		{65265, "F7 00 00 FF FF FF FF FF", []string{"speed=0", "parking_brake=set"}},
		{65269, "CA FF FF D0 24 3D FF FF", []string{"barometer_kPa=101", "ambient_C=21.5", "cab_C invalid"}},
		{65271, "FF FF FF FF EC 01 EB 01", []string{"battery=24.6", "key_switch=24.55"}},
		{65198, "69 FF 64 65 FF 70 FD FF", []string{"supply=840", "brake_1=800", "brake_2=808", "air_spring_supply=896", "compressor=on"}},
		{65112, "88 13 7B 13 00", []string{"fl_kPa=500", "fr_kPa=498.7", "rl_kPa missing", "rr_kPa missing"}},
	} {
		for _, priority := range []capture.ID{3, 6} {
			d := decoderOn(t, signals, "can0")
			f := extended(t, priority<<26|capture.ID(c.group)<<8|0x2F, c.payload)
			require.Equal(t, c.want, told(signals, d.Decode([]capture.Frame{f}, nil)), "%d: %s", c.group, c.payload)
		}
	}
	greatest := decoderOn(t, signals, "can0").Decode([]capture.Frame{extended(t, 0x18FE582F, "FF FA FF FF FF FF FF FF")}, nil)
	require.InDelta(t, 6425.5, greatest[0].Value, 1e-9)
}

func TestDestinationAndPriorityDoNotMatter(t *testing.T) {
	level := pressureAt("level", 0, 1)
	level.Origin = Origin{Kind: FromGroup, Group: 0xD200, Source: 0x27}
	d := decoderOn(t, []Signal{level}, "can0")
	for _, id := range []capture.ID{0x0CD22F27, 0x18D2FF27, 0x00D20027} {
		require.Equal(t, []string{"level=5"}, told(d.Signals(), d.Decode([]capture.Frame{extended(t, id, "00 05")}, nil)), "%08X", uint32(id))
	}
	for _, id := range []capture.ID{0x0CD22F28, 0x0DD22F27, 0x0CD32F27} {
		require.Empty(t, d.Decode([]capture.Frame{extended(t, id, "00 05")}, nil), "%08X", uint32(id))
	}
	require.Empty(t, d.Reports(), "a source that the definition does not name is no second sender")
}

func TestWhichFramesAreDecoded(t *testing.T) {
	short := pressureAt("short", 0x123, 0)
	long := pressureAt("long", 0x123, 0)
	long.Origin.Extended = true
	only := pressureAt("only_can1", 0x200, 0)
	only.Origin.Bus = "can1"
	signals := []Signal{short, long, only}
	with := func(f capture.Frame, change func(*capture.Frame)) capture.Frame { change(&f); return f }
	frame := standard(t, 0x123, "05")
	for _, c := range []struct {
		name  string
		frame capture.Frame
		want  []string
	}{
		{"11 bits", frame, []string{"short=5"}},
		{"29 bits, same number", extended(t, 0x123, "05"), []string{"long=5"}},
		{"CAN FD", with(frame, func(f *capture.Frame) { f.Flags |= capture.FD | capture.BitRateSwitch }), []string{"short=5"}},
		{"sent by this host", with(frame, func(f *capture.Frame) { f.Flags |= capture.Outbound }), []string{"short=5"}},
		{"remote", with(frame, func(f *capture.Frame) { f.Flags |= capture.Remote }), []string{}},
		{"error", with(frame, func(f *capture.Frame) { f.Flags |= capture.Error }), []string{}},
		{"without a time", with(frame, func(f *capture.Frame) { f.Flags |= capture.Untimed }), []string{}},
		{"too short", with(frame, func(f *capture.Frame) { f.Len = 0 }), []string{"short missing"}},
		{"cut by the capture", with(frame, func(f *capture.Frame) { f.Len, f.Flags = 0, capture.Cut }), []string{"short missing"}},
		{"another identifier", standard(t, 0x124, "05"), []string{}},
		{"named bus, other bus", standard(t, 0x200, "05"), []string{}},
		{"named bus", with(standard(t, 0x200, "05"), func(f *capture.Frame) { f.Bus = 1 }), []string{"only_can1=5"}},
		{"a bus that nobody named", with(frame, func(f *capture.Frame) { f.Bus = 2 }), []string{}},
		{"a bus past the last", with(frame, func(f *capture.Frame) { f.Bus = capture.MaxBuses }), []string{}},
		{"no such identifier, 11 bits", standard(t, capture.MaxStandardID+1, "05"), []string{}},
		{"no such identifier, 29 bits", extended(t, math.MaxUint32, "05"), []string{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := decoderOn(t, signals, "can0", "can1")
			require.Equal(t, c.want, told(signals, d.Decode([]capture.Frame{c.frame}, nil)))
		})
	}
}

func TestSampleCarriesItsEvidence(t *testing.T) {
	signals := []Signal{pressureAt("a", 1, 0), pressureAt("b", 1, 1)}
	d := decoderOn(t, signals, "can0")
	kept := []Sample{{At: 5}}
	got := d.Decode([]capture.Frame{standard(t, 1, "0A 0B")}, kept)
	require.Equal(t, []Sample{{At: 5},
		{At: 1000, Packet: 7, Value: 10, Raw: 10, Signal: 0, Status: StatusValid},
		{At: 1000, Packet: 7, Value: 11, Raw: 11, Signal: 1, Status: StatusValid}}, got)
}

func TestMultiplexedSignal(t *testing.T) {
	left, right := pressureAt("left", 1, 2), pressureAt("right", 1, 2)
	left.When = &When{Field: Field{From: 1, To: 1, Mask: 0x0F}, Equals: 3}
	right.When = &When{Field: Field{From: 1, To: 1, Mask: 0x0F}, Equals: 4}
	signals := []Signal{left, right}
	for payload, want := range map[string][]string{
		"00 F3 2A": {"left=42"},
		"00 04 2A": {"right=42"},
		"00 05 2A": {},
		"00 03":    {"left missing"},
		"00":       {"left missing", "right missing"}, // the selector is not there: either may have been
	} {
		d := decoderOn(t, signals, "can0")
		require.Equal(t, want, told(signals, d.Decode([]capture.Frame{standard(t, 1, payload)}, nil)), payload)
	}
}

func TestFirstSenderCounts(t *testing.T) {
	signals := suspension()
	d := decoderOn(t, signals, "can0")
	from := func(source capture.ID, payload string, packet uint64) capture.Frame {
		f := extended(t, 0x18FE5800|source, payload)
		f.Packet, f.At = packet, capture.Stamp(packet)
		return f
	}
	got := d.Decode([]capture.Frame{
		from(0x30, "FF FF FF FF FF FF FF FF", 1), // knows none of them: no sender of values
		from(0x2F, "88 13 FF FF FF FF FF FF", 2), // is the first for the front left
		from(0x30, "00 00 03 00 FF FF FF FF", 3), // second there, first for the front right
		from(0x2F, "89 13 7B 13 FF FF FF FF", 4), // second for the front right
		from(0x30, "FF FF FF FF FF FF FF FF", 5), // no value again
		from(0x30, "00 00 FF FF FF FF FF FF", 6),
	}, nil)
	byName := map[string][]string{}
	for _, text := range told(signals, got) {
		byName[text[:2]] = append(byName[text[:2]], text)
	}
	require.Equal(t, []string{"fl_kPa invalid", "fl_kPa=500", "fl_kPa=500.1"}, byName["fl"])
	require.Equal(t, []string{"fr_kPa invalid", "fr_kPa invalid", "fr_kPa=0.3", "fr_kPa invalid", "fr_kPa invalid"}, byName["fr"])
	require.Equal(t, []Report{
		{Signal: 0, Source: 0x30, Values: 2, FirstAt: 3, FirstPacket: 3},
		{Signal: 2, Source: 0x2F, Values: 1, FirstAt: 4, FirstPacket: 4},
	}, d.Reports())
}

func TestFirstBusCounts(t *testing.T) {
	signals := []Signal{pressureAt("a", 1, 0)}
	d := decoderOn(t, signals, "can0", "can1")
	on := func(bus capture.BusID, payload string) capture.Frame {
		f := standard(t, 1, payload)
		f.Bus = bus
		return f
	}
	got := d.Decode([]capture.Frame{on(1, "05"), on(0, "06"), on(1, "07"), on(0, "08")}, nil)
	require.Equal(t, []string{"a=5", "a=7"}, told(signals, got))
	require.Equal(t, []Report{{Signal: 0, Bus: 0, Source: noSource, Values: 2, FirstAt: 1000, FirstPacket: 7}}, d.Reports())
}

func TestReportsAreBounded(t *testing.T) {
	var signals []Signal
	for i := range 8 {
		s := pressureAt(fmt.Sprint("s", i), 0, i)
		s.Origin = Origin{Kind: FromGroup, Group: 0xFE58, Source: AnySource}
		signals = append(signals, s)
	}
	d := decoderOn(t, signals, "can0")
	for source := range capture.ID(256) {
		f := extended(t, 0x18FE5800|source, "01 02 03 04 05 06 07 08")
		d.Decode([]capture.Frame{f, f}, nil)
	}
	reports := d.Reports()
	require.Len(t, reports, maxOthers)
	require.True(t, slices.IsSortedFunc(reports, func(a, b Report) int { return int(a.Signal) - int(b.Signal) }))
	require.EqualValues(t, 2, reports[0].Values)
}

func TestWhatCanNotBeDecodedIsSaid(t *testing.T) {
	served := pressureAt("served", 1, 0)
	elsewhere := pressureAt("elsewhere", 1, 0)
	elsewhere.Origin.Bus = "can9"
	read := func(name string, a Address) Signal {
		s := pressureAt(name, 0, 0)
		s.Origin = Origin{Kind: FromIdentifier, Identifier: 0x2B01, Address: a}
		return s
	}
	signals := []Signal{served, elsewhere, read("tester", Address{Request: 0x6D4, Response: 0x6DC}),
		read("reversed", Address{Request: 0x6DC, Response: 0x6D4})}
	d := decoderOn(t, signals)
	require.Len(t, d.Undecodable(), 4, "before any bus is named")
	require.Equal(t, "there is no bus", d.Undecodable()[0].Why)
	d.Observe(capture.Event{Kind: capture.EventBus, Name: "can0"})
	require.Equal(t, []Unserved{
		{1, "no bus is named can9"},
		{3, "request 0x6DC, response 0x6D4: 0x6DC is the response of one pair and the request of another"},
	}, d.Undecodable())
}

func TestDecoderRefusesDefinitions(t *testing.T) {
	change := func(f func(*Signal)) Signal {
		s := pressureAt("a", 1, 0)
		s.Place = "wagon.yaml:3:5"
		f(&s)
		return s
	}
	for _, c := range []struct {
		name   string
		signal Signal
		want   string
	}{
		{"field", change(func(s *Signal) { s.Field.Mask = 0 }), "wagon.yaml:3:5: a: a mask of 0 selects nothing"},
		{"selector", change(func(s *Signal) { s.When = &When{Field: Field{From: 1}} }), "when: bytes 1-0: the first byte comes after the last"},
		{"no scale", change(func(s *Signal) { s.Scale = 0 }), "scale 0 and offset 0 make no value"},
		{"endless scale", change(func(s *Signal) { s.Scale = math.Inf(1) }), "scale +Inf and offset 0 make no value"},
		{"offset that is no number", change(func(s *Signal) { s.Offset = math.NaN() }), "scale 1 and offset NaN make no value"},
		{"no origin", change(func(s *Signal) { s.Origin = Origin{} }), "it has no origin"},
		{"12 bits", change(func(s *Signal) { s.Origin.ID = 0x800 }), "identifier 0x800 has more than 11 bits"},
		{"30 bits", change(func(s *Signal) { s.Origin.ID, s.Origin.Extended = 0x20000000, true }), "identifier 0x20000000 has more than 29 bits"},
		{"group of 19 bits", change(func(s *Signal) { s.Origin = Origin{Kind: FromGroup, Group: 0x40000} }), "0x40000 is no parameter group number"},
		{"group with a destination", change(func(s *Signal) { s.Origin = Origin{Kind: FromGroup, Group: 0xD22F} }), "0xD22F is no parameter group number"},
		{"source", change(func(s *Signal) { s.Origin = Origin{Kind: FromGroup, Group: 0xFE58, Source: 256} }), "source address 256 lies outside 0 to 255"},
		{"frozen values", change(func(s *Signal) { s.Origin = Origin{Kind: FromParameter, Service: 2} }), "service 0x02 holds no live values"},
		{"past the payload", change(func(s *Signal) { s.Origin.Length, s.Field = 1, Field{From: 1, To: 1, Mask: 1} }), "byte 1 lies past the payload of 1 bytes"},
		{"state of nobody", change(func(s *Signal) { s.ValidWhile = &ValidWhile{Signal: "valve"} }), "valid_while: no signal is named valve"},
		{"state that is none", change(func(s *Signal) { s.ValidWhile = &ValidWhile{Signal: "a", Equals: "open"} }), "valid_while: a has no state open"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewDecoder([]Signal{c.signal})
			require.ErrorContains(t, err, c.want)
			var definition *DefinitionError
			require.ErrorAs(t, err, &definition)
			require.Equal(t, "a", definition.Signal)
		})
	}
	_, err := NewDecoder(make([]Signal, MaxSignals+1))
	require.EqualError(t, err, "4097 signals are defined, at most 4096 are possible")
	require.Equal(t, "a: wrong", (&DefinitionError{Signal: "a", Problem: "wrong"}).Error())
}

// drawSignals draws definitions over few identifiers, so that they meet in the same frames.
func drawSignals(t *rapid.T) []Signal {
	n := rapid.IntRange(1, 12).Draw(t, "signals")
	list := make([]Signal, n)
	for i := range list {
		s := Signal{Name: fmt.Sprint("s", i), Scale: 0.5, Offset: -3, HasValid: rapid.Bool().Draw(t, "bounded"), ValidMin: -2, ValidMax: 90}
		s.Field = drawField(t, 8)
		s.Origin = Origin{Kind: FromFrame, ID: 0xFE5800 + capture.ID(rapid.IntRange(0, 3).Draw(t, "id")), Extended: true}
		if rapid.Bool().Draw(t, "short") {
			s.Origin.ID, s.Origin.Extended = s.Origin.ID&0x7FF, false
		} else if rapid.Bool().Draw(t, "group") {
			s.Origin = Origin{Kind: FromGroup, Group: 0xFE58, Source: rapid.SampledFrom([]int{AnySource, 0, 1}).Draw(t, "source")}
		}
		s.Origin.Bus = rapid.SampledFrom([]string{"", "can0", "can1"}).Draw(t, "bus")
		for range rapid.IntRange(0, 2).Draw(t, "invalid") {
			from := rapid.Uint64Range(0, 40).Draw(t, "from")
			s.InvalidRaw = append(s.InvalidRaw, RawRange{from, from + 3})
		}
		if rapid.Bool().Draw(t, "states") {
			s.States = map[uint64]string{0: "off", 1: "on"}
		}
		if rapid.Bool().Draw(t, "multiplexed") {
			s.When = &When{Field: Field{Mask: 3}, Equals: rapid.Uint64Range(0, 3).Draw(t, "equals")}
		}
		list[i] = s
	}
	if states := slices.IndexFunc(list, func(s Signal) bool { return s.States != nil }); states >= 0 && rapid.Bool().Draw(t, "gated") {
		list[n-1].ValidWhile = &ValidWhile{Signal: list[states].Name, Equals: "on"}
	}
	return list
}

func drawFrames(t *rapid.T) []capture.Frame {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) capture.Frame {
		f := capture.Frame{At: capture.Stamp(rapid.Int64Range(0, 1e10).Draw(t, "at")), Packet: rapid.Uint64().Draw(t, "packet"),
			Bus: capture.BusID(rapid.IntRange(0, 1).Draw(t, "bus")), Len: uint8(rapid.IntRange(0, 8).Draw(t, "len")),
			ID: 0xFE5800 + capture.ID(rapid.IntRange(0, 3).Draw(t, "id")), Flags: capture.Extended}
		if rapid.Bool().Draw(t, "short") {
			f.ID, f.Flags = f.ID&0x7FF, 0
		}
		copy(f.Data[:f.Len], rapid.SliceOfN(rapid.Byte(), 8, 8).Draw(t, "data"))
		return f
	}), 0, 60).Draw(t, "frames")
}

// slowly decodes by the definitions' own words: every signal is tried on every frame.
func slowly(signals []Signal, buses []string, frames []capture.Frame) []Sample {
	var all []Sample
	first := make([]*[2]int, len(signals))
	for _, f := range frames {
		for _, group := range []bool{false, true} {
			for i := range signals {
				s := &signals[i]
				o := &s.Origin
				if (o.Kind == FromGroup) != group || o.Bus != "" && o.Bus != buses[f.Bus] {
					continue
				}
				source := -1
				if group {
					source = int(f.ID & 0xFF)
					if !f.Flags.Has(capture.Extended) || uint32(f.ID>>8)&0x3FFFF != o.Group || o.Source != AnySource && o.Source != source {
						continue
					}
				} else if f.Flags.Has(capture.Extended) != o.Extended || f.ID != o.ID {
					continue
				}
				sample := Sample{At: f.At, Packet: f.Packet, Signal: SignalIndex(i)}
				// The selectors of these definitions lie in byte 0. Of an empty frame nobody can tell.
				if s.When != nil && f.Len > 0 && uint64(f.Data[0]&3) != s.When.Equals {
					continue
				}
				if raw, ok := s.Field.Raw(f.Payload()); ok {
					sample.Raw = raw
					sample.Status, sample.Value = s.Judge(raw)
				}
				hasValue := sample.Status == StatusValid || sample.Status == StatusOutOfRange
				who := [2]int{int(f.Bus), source}
				if first[i] == nil && hasValue {
					first[i] = &who
				}
				if first[i] == nil || *first[i] == who {
					all = append(all, sample)
				}
			}
		}
	}
	return all
}

// TestDecoderFindsWhatTryingEverySignalFinds holds the tables and the compiled definitions against
// the plainest decoder there can be.
func TestDecoderFindsWhatTryingEverySignalFinds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		signals, frames := drawSignals(t), drawFrames(t)
		for i := range signals {
			signals[i].ValidWhile = nil
		}
		buses := []string{"can0", "can1"}
		d, err := NewDecoder(signals)
		require.NoError(t, err)
		for i, name := range buses {
			d.Observe(capture.Event{Kind: capture.EventBus, Bus: capture.BusID(i), Name: name})
		}
		want := slowly(signals, buses, frames)
		got := d.Decode(frames, nil)
		require.Equal(t, want, got)
	})
}

func TestBatchesDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		signals, frames := drawSignals(t), drawFrames(t)
		run := func(cuts []int) ([]Sample, []Report) {
			d, err := NewDecoder(signals)
			require.NoError(t, err)
			for bus, name := range []string{"can0", "can1"} {
				d.Observe(capture.Event{Kind: capture.EventBus, Bus: capture.BusID(bus), Name: name})
			}
			var all []Sample
			from := 0
			for _, to := range append(cuts, len(frames)) {
				all = d.Decode(frames[from:to], all)
				from = to
				d.Observe(capture.Event{Kind: capture.EventBus, Bus: 0, Name: "can0"}) // named again, as in a new section
			}
			return all, d.Reports()
		}
		cuts := rapid.SliceOf(rapid.IntRange(0, len(frames))).Draw(t, "cuts")
		slices.Sort(cuts)
		whole, reports := run(nil)
		inPieces, again := run(cuts)
		require.Equal(t, whole, inPieces)
		require.Equal(t, reports, again)
	})
}

func TestDecodingAllocatesNothing(t *testing.T) {
	load := newTraffic(200, 116, 116)
	for i := range load.signals {
		if i%3 == 0 {
			load.signals[i].When = &When{Field: Field{Mask: 1}, Equals: uint64(i % 2)}
		}
	}
	state := pressureAt("state", load.frames[0].ID, 7)
	state.States = map[uint64]string{1: "on"}
	group := pressureAt("group", 0, 0)
	group.Origin = Origin{Kind: FromGroup, Group: 0xFE58, Source: AnySource}
	load.signals = append(load.signals, state, group)
	load.signals[1].ValidWhile = &ValidWhile{Signal: "state", Equals: "on"}
	for i := range load.frames {
		if i%5 == 0 { // several senders of one group: all but one are reported
			load.frames[i].ID, load.frames[i].Flags = 0x18FE5800|capture.ID(i%7), capture.Extended
		}
	}
	d := load.decoder(t)
	var into []Sample
	tallies, plots := make([]Tally, len(load.signals)), make([]Buckets, len(load.signals))
	one := func() {
		for at := 0; at < len(load.frames); at += capture.BatchFrames {
			into = d.Decode(load.frames[at:at+capture.BatchFrames], into[:0])
			for _, s := range into {
				tallies[s.Signal].Add(s)
				plots[s.Signal].Add(s)
			}
		}
		for i := range load.frames { // the stream goes on
			load.frames[i].At = load.frames[i].At.Add(time.Duration(len(load.frames)) * 100 * time.Microsecond)
		}
	}
	for range 300 { // until every plot is full
		one()
	}
	require.Zero(t, testing.AllocsPerRun(10, one))
	require.NotEmpty(t, d.Reports())
}

func TestBusNamedAgainCostsNothing(t *testing.T) {
	d := decoderOn(t, suspension(), "can0")
	require.Zero(t, testing.AllocsPerRun(10, func() {
		d.Observe(capture.Event{Kind: capture.EventBus, Name: "can0"})
	}))
	d.Observe(capture.Event{Kind: capture.EventBus, Bus: capture.MaxBuses, Name: "can0"}) // past the last: nothing to learn
}

// FuzzDecoder decodes any bytes as frames, under definitions of every origin.
func FuzzDecoder(f *testing.F) {
	f.Add([]byte("\x00\x04\x08\x01\x02\x03\x04\x05\x06\x07\x08"))
	f.Add([]byte("\x01\x2f\x08\x88\x13\x7b\x13\x00\xfe\xff\xff\x01\x30\x00"))
	f.Add([]byte("\x02\x00\x03\x03\x22\x2b\x01\x03\x00\x06\x05\x62\x2b\x01\x01\xf4"))
	f.Add([]byte("\x02\x00\x08\x02\x01\x0c\x55\x55\x55\x55\x55\x03\x00\x08\x04\x41\x0c\x1a\xf8\x55\x55\x55"))
	signals := fuzzSignals()
	f.Fuzz(func(t *testing.T, text []byte) {
		d := decoderOn(t, signals, "can0")
		frames := framesOf(text)
		samples := d.End(capture.Stamp(len(frames))*1e9, d.Decode(frames, nil))
		for _, s := range samples {
			require.Less(t, int(s.Signal), len(signals))
			require.False(t, math.IsNaN(s.Value))
			require.GreaterOrEqual(t, s.Packet, uint64(1))
			require.LessOrEqual(t, s.Packet, uint64(len(frames)))
			if s.Status == StatusValid && signals[s.Signal].HasValid {
				require.LessOrEqual(t, s.Value, signals[s.Signal].ValidMax)
			}
		}
		for _, said := range d.Talk() {
			require.LessOrEqual(t, said.Index, len(samples))
		}
	})
}

// fuzzIDs are the identifiers of fuzzed frames, by their first byte.
var fuzzIDs = []struct {
	id    capture.ID
	flags capture.Flags
}{
	{0x4A1, 0}, {0x18FE5800, capture.Extended}, {0x7E0, 0}, {0x7E8, 0}, {0x1CECFF00, capture.Extended},
	{0x1CEBFF00, capture.Extended}, {0x18DAF100, capture.Extended}, {0x4A1, capture.FD}, {0x4A1, capture.Remote}, {0x4A1, capture.Error},
}

func fuzzSignals() []Signal {
	frame := pressureAt("frame", 0x4A1, 2)
	frame.HasValid, frame.ValidMax = true, 200
	state := pressureAt("state", 0x4A1, 0)
	state.States = map[uint64]string{0: "closed", 1: "open"}
	gated := pressureAt("gated", 0x4A1, 3)
	gated.ValidWhile = &ValidWhile{Signal: "state", Equals: "open"}
	identifier := pressureAt("identifier", 0, 0)
	identifier.Origin = Origin{Kind: FromIdentifier, Identifier: 0x2B01, Address: Address{Request: 0x7E0, Response: 0x7E8}}
	parameter := pressureAt("parameter", 0, 0)
	parameter.Origin = Origin{Kind: FromParameter, Service: 1, Parameter: 0x0D}
	return append(suspension(), frame, state, gated, identifier, parameter)
}

// framesOf reads frames of one byte for the identifier, one for its last byte, one for the length, and
// the data.
func framesOf(text []byte) []capture.Frame {
	var frames []capture.Frame
	for len(text) >= 3 && len(frames) < 1000 {
		n := min(int(text[2])%(capture.MaxData+1), len(text)-3)
		kind := fuzzIDs[int(text[0])%len(fuzzIDs)]
		f := capture.Frame{At: capture.Stamp(len(frames)) * 1e7, Packet: uint64(len(frames) + 1), ID: kind.id, Flags: kind.flags, Len: uint8(n)}
		if kind.flags == capture.Extended {
			f.ID |= capture.ID(text[1])
		}
		copy(f.Data[:], text[3:3+n])
		frames, text = append(frames, f), text[3+n:]
	}
	return frames
}
