package safety

import (
	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

// Pipeline feeds a stream, batch by batch and in its order, through a decoder to a judge. Live and
// afterwards it is the same.
type Pipeline struct {
	Decoder *decode.Decoder
	Judge   *Judge
	// Tap, when set, sees every sample before the judge does. The slice is reused.
	Tap func([]decode.Sample)

	samples []decode.Sample
}

// NewPipeline returns the pipeline for signals and a card (nil: none); ask names rules wanted beside
// those of the card.
func NewPipeline(signals []decode.Signal, card *jobcard.Card, ask []string) (*Pipeline, error) {
	d, err := decode.NewDecoder(signals)
	if err != nil {
		return nil, err
	}
	if card != nil {
		for _, s := range card.Stages {
			d.Listen(s.Address)
		}
	}
	return &Pipeline{Decoder: d, Judge: NewJudge(d.Signals(), card, ask)}, nil
}

// Take follows one batch.
func (p *Pipeline) Take(b *capture.Batch) {
	for frames, e := range b.InOrder() {
		p.frames(frames)
		if e != nil {
			p.Decoder.Observe(*e)
			p.hear(nil)
			p.Judge.Event(*e)
		}
	}
}

func (p *Pipeline) frames(frames []capture.Frame) {
	if len(frames) == 0 {
		return
	}
	p.Judge.ahead(frames)
	p.samples = p.Decoder.Decode(frames, p.samples[:0])
	p.hear(p.samples)
	p.Judge.past(frames)
}

// hear hands samples and talk to the judge in the order in which they came.
func (p *Pipeline) hear(samples []decode.Sample) {
	if p.Tap != nil && len(samples) > 0 {
		p.Tap(samples)
	}
	done := 0
	talk := p.Decoder.Talk()
	for i := range talk {
		upTo := min(max(done, talk[i].Index), len(samples))
		p.Judge.Observe(samples[done:upTo])
		done = upTo
		p.Judge.Talk(&talk[i])
	}
	p.Judge.Observe(samples[done:])
}

// Finish ends the stream.
func (p *Pipeline) Finish() {
	p.samples = p.Decoder.End(p.Judge.Now(), p.samples[:0])
	p.hear(p.samples)
	p.Judge.Finish()
}
