package jobcard

// A card is read part by part, and each part is held against those before it:
//
//	springs --> serviced --> new_springs
//	   +------> circuit
//	   +------> stages
//
// What contradicts itself is refused and not repaired: a card that says left in one place and right in
// another has one of the two wrong, and only the person who wrote it knows which.

import (
	"fmt"
	"regexp"
	"slices"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// Version is the version of the format that this package reads.
const Version = 1

// Load reads a card from the text of a file; name stands for the file in errors. The error joins a
// *document.Error for each mistake. Names of rules in `ask` are not checked here, since the rules
// read cards: see CheckAsk.
func Load(name string, text []byte) (*Card, error) {
	d, err := document.Parse(name, text)
	if err != nil {
		return nil, err
	}
	var l loader
	if m, ok := d.Root().Map(cardKeys...); ok {
		l.readCard(m)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return &l.card, nil
}

// LoadFile reads a card from a file.
func LoadFile(path string) (*Card, error) {
	text, err := document.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Load(path, text)
}

// cardKeys are the keys of a card, in the order in which they are usually written.
var cardKeys = []string{"version", "job", "vehicle", "serviced", "springs", "circuit", "new_springs", "heights",
	"height_readings", "limits", "ask", "stages", "said", "marks"}

// The keys of the smaller maps.
var (
	vehicleKeys   = []string{"label"}
	springKeys    = []string{"corners", "volume", "effective_area", "motion_ratio", "least_pressure", "greatest_pressure"}
	newSpringKeys = []string{"use_by", "length", "greatest_length"}
	heightKeys    = []string{"before", "series", "tolerance"}
	readingKeys   = []string{"corner", "at", "tape"}
	saidKeys      = []string{"item", "by", "at"}
)

// maxItems is the longest list of a card. A card with more than a few dozen rows is none.
const maxItems = 1000

// loader fills a card. Parts that other parts lean on are read first.
type loader struct {
	card Card
	// airUnsure: a spring's corners could not be read, so nothing is said about corners that have
	// no spring.
	airUnsure bool
}

// readCard reads the parts of a card. Springs come first: who is serviced, filled or renewed has to ride
// on air.
func (l *loader) readCard(m document.Map) {
	c := &l.card
	m.Need("version", "version: 1").Uint(Version, Version)
	c.Job, _ = m.Get("job").Text()
	if v, ok := m.Get("vehicle").Map(vehicleKeys...); ok {
		c.Label, _ = v.Get("label").Text()
	}
	l.readSprings(m.Get("springs"))
	c.Serviced = l.readAirCorners(m.Get("serviced"))
	l.readCircuits(m.Get("circuit"))
	l.readNewSprings(m.Get("new_springs"))
	l.readHeights(m.Get("heights"))
	l.readReadings(m.Get("height_readings"))
	l.readLimits(m.Get("limits"))
	l.readAsk(m.Get("ask"))
	l.readStages(m.Get("stages"))
	l.readSaid(m.Get("said"))
	l.readMarks(m.Get("marks"))
}

// cornersHint is said where a name is no corner. The rules know two axles: a third one squeezed into the
// names of four corners would be judged as something that it is not.
const cornersHint = "front-left, front-right, rear-left or rear-right; a third axle can't be judged"

// readCorner reads the name of a corner; the error says that there are four.
func readCorner(n document.Node) decode.Corner {
	word, ok := n.Text()
	if !ok {
		return decode.NoCorner
	}
	c, known := decode.ParseCorner(word)
	if !known {
		n.Refuse(n.Shown()+" is no corner", cornersHint)
	}
	return c
}

// readCorners reads a list of different corners, each of which check may refuse. Of a list with a
// mistake the rest is returned.
func readCorners(n document.Node, check func(document.Node, decode.Corner) bool) []decode.Corner {
	list, ok := items(n, "a list of corners, such as [rear-left, rear-right]")
	if !ok {
		return nil
	}
	var corners []decode.Corner
	for _, item := range list {
		c := readCorner(item)
		switch {
		case c == decode.NoCorner:
		case slices.Contains(corners, c):
			item.Refuse(c.String()+" is given twice", "each corner once")
		case check(item, c):
			corners = append(corners, c)
		}
	}
	return corners
}

// items reads a list of at most maxItems rows.
func items(n document.Node, want string) ([]document.Node, bool) {
	list, ok := n.List(want)
	if ok && len(list) > maxItems {
		n.Refuse(fmt.Sprintf("the list has %d rows", len(list)), fmt.Sprintf("at most %d", maxItems))
		return nil, false
	}
	return list, ok
}

// byCorner reads a map whose keys are corners and calls read for each.
func byCorner(n document.Node, want string, read func(decode.Corner, document.Node)) {
	pairs, ok := n.Pairs(want)
	if !ok {
		return
	}
	for _, p := range pairs {
		if c := readCorner(p.Key); c != decode.NoCorner {
			read(c, p.Value)
		}
	}
}

// within reads a quantity that has to lie between two bounds, both included, in unit. The bounds of a
// card are wide: they catch kPa taken for bar and a slipped decimal point, not an unusual vehicle.
func within(n document.Node, unit quantity.Unit, least, most float64) Number {
	v, ok := n.Quantity(unit)
	if !ok {
		return Number{}
	}
	if v < least || v > most {
		// the bounds are in unit, the text in the user's own: both are shown
		name := unit.Name
		if name != "" {
			name = " " + name
		}
		n.Refuse(n.Shown()+" is out of range", fmt.Sprintf("%g to %g%s", least, most, name))
		return Number{}
	}
	return Number{v, true}
}

// readReadings reads the heights that a tape showed at a known time. They turn a height signal that knows
// only differences into one that can be held against the series height.
func (l *loader) readReadings(n document.Node) {
	list, _ := items(n, "a list of readings")
	for _, item := range list {
		m, ok := item.Map(readingKeys...)
		if !ok {
			continue
		}
		r := Reading{Place: item.Place()}
		r.Corner = readCorner(m.Need("corner", cornersHint))
		r.At, _ = m.Need("at", "when it was read, such as 2026-03-02T09:14:05Z").Time()
		// a row with a mistake is kept: the card is not handed out anyway
		r.TapeMM = readTape(m.Need("tape", "the reading, such as 391 mm")).Value
		l.card.Readings = append(l.card.Readings, r)
	}
}

// readTape reads a height by tape. Wheel arches stand between a hand and two metres over the hub.
func readTape(n document.Node) Number { return within(n, quantity.Millimetre, 50, 2000) }

// readHeights reads the reference heights. Corners on steel springs have them too.
func (l *loader) readHeights(n document.Node) {
	byCorner(n, "a map from corners to heights", func(c decode.Corner, v document.Node) {
		m, ok := v.Map(heightKeys...)
		if !ok {
			return
		}
		l.card.Heights[c] = &Height{
			BeforeMM:    readTape(m.Get("before")),
			SeriesMM:    readTape(m.Get("series")),
			ToleranceMM: within(m.Get("tolerance"), quantity.Millimetre, 0.1, 100),
		}
	})
}

// readSaid reads what a person vouches for. It is printed as said, never as seen.
func (l *loader) readSaid(n document.Node) {
	list, _ := items(n, "a list of what was said")
	for _, item := range list {
		m, ok := item.Map(saidKeys...)
		if !ok {
			continue
		}
		s := Said{Place: item.Place()}
		s.Item, _ = m.Need("item", "what was said, such as axle alignment measured").Text()
		s.By, _ = m.Get("by").Text()
		s.At, _ = m.Get("at").Time()
		l.card.Said = append(l.card.Said, s)
	}
}

// readAsk reads the rules that have to be answered. Whether they exist is for CheckAsk to say.
func (l *loader) readAsk(n document.Node) {
	list, _ := items(n, "a list of rules, such as [not-tight]")
	for _, item := range list {
		name, ok := item.Text()
		switch {
		case !ok:
		case slices.Contains(l.card.Ask, name):
			item.Refuse(item.Shown()+" is asked twice", "each rule once")
		default:
			l.card.Ask = append(l.card.Ask, name)
			l.card.askPlaces = append(l.card.askPlaces, item.Place())
		}
	}
}

// dayForm and monthForm are the two ways to write a last day of use.
var (
	dayForm   = regexp.MustCompile(`^\d{4}-\d\d-\d\d$`)
	monthForm = regexp.MustCompile(`^\d{4}-\d\d$`)
)

// readUseBy reads a day or a month and returns the first instant after its last day, UTC.
func readUseBy(n document.Node) capture.Stamp {
	text, ok := n.Text()
	if !ok {
		return 0
	}
	const want = "a month such as 2027-05 or a day such as 2027-05-31"
	if !dayForm.MatchString(text) && !monthForm.MatchString(text) {
		n.Refuse(n.Shown()+" is no month or day", want)
		return 0
	}
	// the instant after the last day, so that a spring is within its date for all of it; in UTC, since
	// a card has no place on earth: at most half a day off, against a life of years
	first, months, days := text, 0, 1
	if monthForm.MatchString(text) {
		first, months, days = text+"-01", 1, 0
	}
	t, err := time.Parse(time.DateOnly, first)
	if err != nil || t.Year() < 1990 || t.Year() > 2200 {
		n.Refuse(n.Shown()+" is no day that there is, or too far from today", want)
		return 0
	}
	return capture.StampOf(t.AddDate(0, months, days))
}

// readNewSprings reads what stands on the boxes. A new spring on a corner that the card does not call
// serviced is a slip between left and right, the one that matters most here.
func (l *loader) readNewSprings(n document.Node) {
	byCorner(n, "a map from corners to what stands on the box", func(c decode.Corner, v document.Node) {
		m, ok := v.Map(newSpringKeys...)
		if !ok {
			return
		}
		l.card.NewSprings[c] = &NewSpring{
			UseBy:            readUseBy(m.Get("use_by")),
			LengthMM:         within(m.Get("length"), quantity.Millimetre, 10, 2000),
			GreatestLengthMM: within(m.Get("greatest_length"), quantity.Millimetre, 10, 2000),
		}
		if l.onAir(v, c) && len(l.card.Serviced) > 0 && !slices.Contains(l.card.Serviced, c) {
			v.Refuse("`serviced` does not name "+c.String(), "a corner of `serviced`")
		}
	})
}
