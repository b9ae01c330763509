package decode

import (
	"fmt"
	"math/bits"
	"math/rand/v2"
	"testing"

	"ridewitness/capture"
)

// The benchmark that decoding is measured by: the same frames through the Decoder and through what
// one would write first, a map with a struct for a key and a loop over the bytes. Compare the two
// within one run; the numbers of two runs or two machines say nothing about each other.
//
//	go test -bench Decode -run '^$' -count 6 ./decode

// traffic is a made-up bus load: so many identifiers on two buses, one in eight of 29 bits.
type traffic struct {
	signals []Signal
	frames  []capture.Frame
}

// newTraffic spreads the definitions over the first `used` of all identifiers. Frames come in random
// order, each identifier as often as any other.
func newTraffic(definitions, used, identifiers int) traffic {
	var t traffic
	random := rand.New(rand.NewPCG(1, 2))
	id := func(i int) (capture.BusID, capture.ID, bool) {
		if i%8 == 7 {
			return capture.BusID(i % 2), capture.ID(0x0C00_0000 + 0x1_0101*i), true
		}
		return capture.BusID(i % 2), capture.ID(0x100 + 5*i), false
	}
	for n := range definitions {
		bus, frame, extended := id(n % used)
		at := 2 * (n / used)
		t.signals = append(t.signals, Signal{
			Name: fmt.Sprint("signal", n), Scale: 0.01, HasValid: true, ValidMax: 1000,
			InvalidRaw: []RawRange{{0xFFF, 0xFFF}},
			Origin:     Origin{Kind: FromFrame, ID: frame, Extended: extended, Bus: fmt.Sprint("bus", bus)},
			Field:      Field{From: at, To: at + 1, Order: Order(1 + n%2), Mask: 0xFFF0},
		})
	}
	for n := range capture.BatchFrames * 16 {
		bus, frame, extended := id(random.IntN(identifiers))
		f := capture.Frame{At: capture.Stamp(n) * 100_000, Packet: uint64(n + 1), Bus: bus, ID: frame, Len: 8}
		if extended {
			f.Flags = capture.Extended
		}
		for i := range f.Len {
			f.Data[i] = byte(random.Uint32())
		}
		t.frames = append(t.frames, f)
	}
	return t
}

func (t *traffic) decoder(tb testing.TB) *Decoder {
	d, err := NewDecoder(t.signals)
	if err != nil {
		tb.Fatal(err)
	}
	for bus := range capture.BusID(2) {
		d.Observe(capture.Event{Kind: capture.EventBus, Bus: bus, Name: fmt.Sprint("bus", bus)})
	}
	return d
}

// plain is the decoder that one would write first.
type plain struct {
	signals []Signal
	wanted  map[plainKey][]SignalIndex
}

type plainKey struct {
	bus      capture.BusID
	extended bool
	id       capture.ID
}

func (t *traffic) plain() *plain {
	p := &plain{signals: t.signals, wanted: map[plainKey][]SignalIndex{}}
	for i, s := range t.signals {
		for bus := range capture.BusID(2) {
			if s.Origin.Bus == fmt.Sprint("bus", bus) {
				key := plainKey{bus, s.Origin.Extended, s.Origin.ID}
				p.wanted[key] = append(p.wanted[key], SignalIndex(i))
			}
		}
	}
	return p
}

// decode does the least that a decoder must: find, assemble, mask, shift, scale, compare with the
// bounds.
func (p *plain) decode(frames []capture.Frame, into []Sample) []Sample {
	for i := range frames {
		f := &frames[i]
		for _, n := range p.wanted[plainKey{f.Bus, f.Flags.Has(capture.Extended), f.ID}] {
			s := &p.signals[n]
			if s.Field.To >= int(f.Len) {
				continue
			}
			var raw uint64
			for k := s.Field.From; k <= s.Field.To; k++ {
				if s.Field.Order == HighFirst {
					raw = raw<<8 | uint64(f.Data[k])
				} else {
					raw |= uint64(f.Data[k]) << (8 * (k - s.Field.From))
				}
			}
			raw &= s.Field.Mask
			raw >>= bits.TrailingZeros64(s.Field.Mask)
			sample := Sample{At: f.At, Packet: f.Packet, Raw: raw, Signal: n, Status: StatusValid}
			sample.Value = float64(raw)*s.Scale + s.Offset
			if sample.Value < s.ValidMin || sample.Value > s.ValidMax {
				sample.Status = StatusOutOfRange
			}
			into = append(into, sample)
		}
	}
	return into
}

func BenchmarkDecode(b *testing.B) {
	for _, load := range []struct {
		name                           string
		definitions, used, identifiers int
	}{
		{"20 definitions, 17 in 100 wanted", 20, 20, 120},
		{"200 definitions, all wanted", 200, 116, 116},
	} {
		t := newTraffic(load.definitions, load.used, load.identifiers)
		run := func(name string, decode func([]capture.Frame, []Sample) []Sample) {
			b.Run(load.name+"/"+name, func(b *testing.B) {
				var into []Sample
				b.ReportAllocs()
				for b.Loop() {
					for at := 0; at < len(t.frames); at += capture.BatchFrames {
						into = decode(t.frames[at:at+capture.BatchFrames], into[:0])
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(t.frames)), "ns/frame")
			})
		}
		run("table", t.decoder(b).Decode)
		run("map", t.plain().decode)
	}
}
