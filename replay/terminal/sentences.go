package terminal

import (
	"slices"
	"strings"

	"ridewitness/decode"
	"ridewitness/safety"
)

// What another screen needs to show a state in the same words.

// Words are the sentences of a state but for the band and the corners. Each is "" where there is
// nothing to say.
type Words struct {
	Mode   string   // REPLAY 4x; "" while live
	Sight  string   // WATCHING, ?? PART BLIND ??, ?? BLIND ??
	Causes []string // of it, from the fullest words to the shortest
	Proofs string   // how many definitions are proven

	Origin string // VEHICLE, VIRTUAL, SIMULATED, UNKNOWN
	Clock  string // session time, hh:mm:ss
	Local  string // the clock on the wall
	Stage  string

	Buses, Kept, Lost string
	Written, Sound    string // of a recording
	Trouble           string // NOTHING IS WRITTEN, since when and why; goes before what is kept
}

// Words returns the sentences of a state.
func (s *State) Words() Words {
	w := Words{Mode: s.modeWords(), Proofs: s.proofWords(), Origin: s.origin(), Clock: clock(s.Start, s.Now), Stage: s.stageWords(),
		Buses: strings.TrimSpace(busWords(s.Buses, true)), Kept: grouped(s.Frames), Lost: s.lostWords()}
	w.Sight, w.Causes = s.sightWords()
	switch {
	case s.Start == 0:
	case s.Zone != nil:
		w.Local = "local " + s.Now.Time().In(s.Zone).Format("15:04:05")
	default:
		w.Local = "UTC " + s.Now.Time().Format("2006-01-02 15:04")
	}
	if s.Recording != nil {
		w.Written, w.Sound = age(s.Recording.WrittenAgo)+" ago", s.Recording.Sound
		if s.Recording.Trouble != "" {
			w.Trouble = s.troubleWords()
		}
	}
	return w
}

// When returns the session time of an event, hh:mm:ss.
func (s *State) When(e *Event) string { return clock(s.Start, e.At) }

// Sounding reports whether a danger lasts that nobody silenced.
func (s *State) Sounding() bool {
	return s.danger() != nil && (s.Recording == nil || s.Recording.SilencedUntil <= s.Now)
}

// BandKind says what stands in the band. The zero BandKind is BandBlind.
type BandKind uint8

const (
	BandBlind    BandKind = iota
	BandDanger            // one lasts
	BandOver              // there was one
	BandStanding          // something stands against lowering
	BandSaid              // somebody said that nothing does
	BandCalm              // nothing is known, which is no proof
)

var bandNames = [...]string{"blind", "danger", "over", "standing", "said", "calm"}

// String returns the kind in one word.
func (k BandKind) String() string { return bandNames[min(int(k), len(bandNames)-1)] }

// Band is what stands in the place of the warning.
type Band struct {
	Kind BandKind
	Sign string // !! DANGER, !! BLIND; "" for none
	// Layouts say the same in ever fewer words: the first that fits is to be shown. Each is a list
	// of sentences, of which the first matters most. The last one still says what to do.
	Layouts [][]string
}

// thereSilences is what silences the sound, as another screen says it: it can't be done from there.
const thereSilences = "S at the laptop silences for 60 s"

// Band returns what stands in the place of the warning: a danger that lasts, or else blindness, what
// is over, and the standing line.
func (s *State) Band() Band {
	if d := s.danger(); d != nil {
		return Band{BandDanger, strings.TrimSpace(d.sign()), s.dangerSentences(d)}
	}
	b := Band{Kind: s.calmKind()}
	heads := [][]string{nil}
	if over := s.overWords(); over != "" {
		b.Kind, b.Sign = BandOver, strings.TrimSpace(s.Dangers[0].sign())
		heads = [][]string{{over + " " + s.staysWords()}, {over}, {s.overShort()}}
	}
	if s.Sight == Blind {
		for i, head := range heads {
			if len(head) > 0 {
				head[0] = b.Sign + " " + head[0]
			}
			heads[i] = append([]string{blindLine}, head...)
		}
		b.Kind, b.Sign = BandBlind, ""
	}
	for _, standing := range s.standingVariants() {
		for _, head := range heads {
			layout := slices.Clone(head)
			if standing != "" {
				layout = append(layout, standing)
			}
			b.Layouts = append(b.Layouts, layout)
		}
	}
	return b
}

// dangerSentences returns what a band says of a danger that lasts, its headline a sentence of its own.
func (s *State) dangerSentences(d *Danger) [][]string {
	since, shorter := s.sinceWords(d, thereSilences)
	if second := s.secondWords(); second != "" {
		since, shorter = second, second
	}
	return withoutEmpty([][]string{{d.Head, d.Figures, since}, {d.Head, d.Short, since}, {d.Head, d.Short, shorter},
		{d.Head, d.Short}, {d.Head}, {s.shortHead(d)}})
}

// calmKind says what the standing line is about.
func (s *State) calmKind() BandKind {
	switch {
	case len(s.standingSentences(false)) > 0:
		return BandStanding
	case len(s.Standing) > 0:
		return BandSaid
	default:
		return BandCalm
	}
}

// CornerWords are the sentences of a corner.
type CornerWords struct {
	Does             string // hanging, closing, UNSEEN; DANGER
	Danger           bool   // one lasts there, or left it on an empty spring
	Pressure, Height ValueWords
	Note             string // BELOW LEAST 1.00, line open
	Was              string // the last values of what is not fresh
	Age              string // of the older value; "" where there is none
}

// ValueWords are the words of one value.
type ValueWords struct {
	Figures string // dashes where it is not fresh
	Rest    string // its trend, or why there are dashes
	Missing bool   // it is defined and not fresh
}

// CornerWords returns the sentences of the corner at place i of decode.Corners.
func (s *State) CornerWords(i int) CornerWords {
	c := &s.Corners[i]
	w := CornerWords{Does: c.word(), Danger: s.inDanger(decode.Corners[i]), Note: c.note(), Was: c.was(), Age: oldWord(c.ageWord())}
	if w.Danger {
		w.Does = "DANGER"
	}
	w.Pressure = wordsOf(&c.Pressure, "%.2f", "--.--", c.pressureTrend())
	w.Height = wordsOf(&c.Height, "%.1f", "---.-", c.heightTrend())
	return w
}

func wordsOf(s *safety.SignalState, form, dashes, trend string) ValueWords {
	figures, _, rest := valueWords(s, form, dashes, "", trend)
	return ValueWords{Figures: figures, Rest: strings.TrimSpace(rest), Missing: s.Defined && !s.Fresh()}
}
