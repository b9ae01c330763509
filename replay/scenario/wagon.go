package scenario

import (
	_ "embed"

	"ridewitness/capture"
	"ridewitness/decode"
)

// The demo wagon's own texts, so that a session can be made anywhere.
var (
	//go:embed wagon/definitions.yaml
	wagonDefinitions string
	//go:embed wagon/definitions-without-pressures.yaml
	wagonBlindDefinitions string
	//go:embed wagon/jobcard.yaml
	wagonCard string
)

// wagon is demo wagon 7, an invented passenger car with air springs on both axles. The rear sides
// carry different loads, as cars with a tank on one side do; only so can air cross over.
var wagon = build{
	springs: [corners]spring{
		{volume: 2.6e-3, area: 85e-4, load: 5150, droop: 0.080, bump: -0.070, series: 405, before: 405, arm: 0.0006},
		{volume: 2.6e-3, area: 85e-4, load: 5050, droop: 0.080, bump: -0.070, series: 405, before: 404, arm: -0.0004},
		{volume: 2.2e-3, area: 98e-4, load: 4700, droop: 0.080, bump: -0.070, series: 395, before: 391, arm: 0.0002},
		{volume: 2.2e-3, area: 98e-4, load: 4500, droop: 0.080, bump: -0.070, series: 395, before: 392, arm: -0.0003},
	},
	tank: tank{
		volume:      5e-3,
		delivery:    45 * ratedDensity * 1e-6 / 60 * 1e3, // 45 l/min
		stall:       16e5,
		cutIn:       9e5,
		cutOut:      11.5e5,
		settle:      60,
		beginsGauge: 11e5,
	},
	fill:     orifice{conductance: 5e-10, critical: 0.35},
	bleed:    orifice{conductance: 2e-9, critical: 0.35},
	openLine: orifice{conductance: 2e-8, critical: 0.4},
	gasTime:  15,
	wallTime: 1800,
}

// The wagon's fields, as its definitions say.
var (
	wagonHeight    = field{scale: 0.1, offset: 200, greatest: 0xFEF, invalid: 0xFFF}
	wagonPressure  = field{scale: 0.001, offset: -0.5, greatest: 0x3FFD, invalid: 0x3FFF}
	wagonReservoir = field{scale: 0.002, offset: -0.5, greatest: 0x3FFD, invalid: 0x3FFF}
	wagonVoltage   = field{scale: 0.1, greatest: 0xFE, invalid: 0xFF}
	wagonEngine    = field{scale: 0.25, greatest: 0xFFFE, invalid: 0xFFFF}
	wagonAmbient   = field{scale: 0.5, offset: -40, greatest: 0xFE, invalid: 0xFF}
	wagonBarometer = field{scale: 0.01, greatest: 0xFFFE, invalid: 0xFFFF}
)

// The wagon's buses, in the order of their numbers.
const (
	chassis capture.BusID = iota
	drive
	firstSpare // buses from here on carry background traffic only
)

// airSelectors is how many kinds of air frames there are: the reservoir and the corners.
const airSelectors = corners + 1

// wagonMessages returns what the wagon says by itself while it is awake.
func wagonMessages(pressures bool) []message {
	list := []message{
		{bus: chassis, id: 0x152, length: 8, period: 100e6, phase: 1e6, write: writeFrontHeights},
		{bus: chassis, id: 0x153, length: 8, period: 100e6, phase: 3e6, write: writeRearHeights},
		{bus: chassis, id: 0x3E4, length: 4, period: 100e6, phase: 7e6, write: writeBody},
		{bus: drive, id: 0x0A8, length: 8, period: 50e6, phase: 0, write: writeEngine},
		{bus: drive, id: 0x0B4, length: 8, period: 50e6, phase: 2e6, write: writeWheels},
		{bus: drive, id: 0x3F2, length: 4, period: 1000e6, phase: 11e6, write: writeSurroundings},
	}
	if pressures {
		air := message{bus: chassis, id: 0x2C6, length: 8, period: 50e6, phase: 5e6, write: writeAir}
		list = append(list, air)
	}
	return list
}

// writeHeights writes a counter and the heights of an axle.
func writeHeights(r *Run, n uint64, data *[8]byte, left, right int) bool {
	l, sentL := r.heights[left].read()
	h, sentR := r.heights[right].read()
	data[0] = byte(n & 0x0F)
	data[1], data[2] = byte(l>>8), byte(l)
	data[3], data[4] = byte(h>>8), byte(h)
	return sentL && sentR
}

func writeFrontHeights(r *Run, n uint64, data *[8]byte) bool {
	return writeHeights(r, n, data, indexOf(decode.FrontLeft), indexOf(decode.FrontRight))
}

func writeRearHeights(r *Run, n uint64, data *[8]byte) bool {
	return writeHeights(r, n, data, indexOf(decode.RearLeft), indexOf(decode.RearRight))
}

// writeAir writes the reservoir and the corners in turn.
func writeAir(r *Run, n uint64, data *[8]byte) bool {
	selector := int(n % uint64(airSelectors))
	which := &r.supply
	if selector > 0 {
		which = &r.pressures[selector-1]
		if r.valves[selector-1].passes() {
			data[1] = 1
		}
	}
	raw, sent := which.read()
	data[0] = byte(selector)
	data[2], data[3] = byte(raw), byte(raw>>8)
	return sent
}

func writeBody(r *Run, _ uint64, data *[8]byte) bool {
	if r.ignition {
		data[0] |= 0x01
	}
	if r.compressor {
		data[0] |= 0x04
	}
	data[1] = byte(wagonVoltage.raw(r.voltage() + float64(0.03*r.electric.gauss())))
	return true
}

func writeEngine(r *Run, _ uint64, data *[8]byte) bool {
	speed := r.engine.speed
	if speed > 0 {
		speed += float64(4 * r.electric.gauss())
	}
	raw := wagonEngine.raw(speed)
	data[0], data[1] = byte(raw>>8), byte(raw)
	return true
}

// writeWheels says that the vehicle stands: nobody drives it in this package.
func writeWheels(_ *Run, n uint64, data *[8]byte) bool {
	data[7] = byte(n)
	return true
}

func writeSurroundings(r *Run, _ uint64, data *[8]byte) bool {
	data[0] = byte(wagonAmbient.raw(r.vehicle.in.outside.temperature - zeroCelsius))
	raw := wagonBarometer.raw(r.vehicle.in.outside.pressure / 1000)
	data[1], data[2] = byte(raw>>8), byte(raw)
	return true
}
