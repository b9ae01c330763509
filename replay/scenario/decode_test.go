package scenario

import (
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
)

// What the decoder makes of the frames by the wagon's own definitions must be what the sensors saw:
// the truth, but for a sensor's own error of at most six deviations (0.4 mm and 0.01 bar) and noise.
func TestDecoderSeesTheTruth(t *testing.T) {
	r := open(t, "quick-fill", 5)
	signals, err := signaldef.Load("wagon.yaml", []byte(r.Definitions()))
	require.NoError(t, err)
	d, err := decode.NewDecoder(signals)
	require.NoError(t, err)
	final := make([]decode.Sample, len(d.Signals()))
	var samples []decode.Sample
	play(t, r, func(b *capture.Batch) {
		for _, e := range b.Events {
			d.Observe(e)
		}
		samples = d.Decode(b.Frames, samples[:0])
		for _, s := range samples {
			if s.Status != decode.StatusValid {
				t.Fatalf("%s is %s: %+v", d.Signals()[s.Signal].Name, s.Status, s)
			}
			final[s.Signal] = s
		}
	})
	for i, s := range d.Signals() {
		require.NotZero(t, final[i].At, s.Name)
		switch s.Quantity {
		case decode.Height:
			require.InDelta(t, r.archHeight(indexOf(s.Corner)), final[i].Value, 3.5, s.Name)
		case decode.Pressure:
			require.InDelta(t, r.vehicle.gauge(indexOf(s.Corner))/1e5, final[i].Value, 0.08, s.Name)
		case decode.BarometricPressure:
			require.InDelta(t, 101, final[i].Value, 0.006, s.Name)
		case decode.AmbientTemperature:
			require.InDelta(t, 19, final[i].Value, 0.26, s.Name)
		case decode.VehicleSpeed:
			require.Zero(t, final[i].Value, s.Name)
		}
	}
}
