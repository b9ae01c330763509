package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/isotp"
	"ridewitness/decode/signaldef"
	"ridewitness/decode/survey"
)

type lookOptions struct {
	known  knownFlags
	format string
}

func newLookCommand(a *App) *cobra.Command {
	var o lookOptions
	cmd := &cobra.Command{
		Use:     "look FILE",
		GroupID: groupSignals,
		Short:   "Say in a page what is in a file; with --signals what each signal did",
		Long: `Say what is in a session: its buses, who talks to whom, its marks, and whether a built-in definition
would decode something. With --signals it says what each signal did: how often it came, first, last,
least and greatest value with their packets, and how much of it was invalid.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.look(cmd.Context(), args[0], o)
		},
	}
	o.known.bindSignals(cmd.Flags())
	formatFlag(cmd.Flags(), &o.format, "text", "json")
	return cmd
}

func (a *App) look(ctx context.Context, path string, o lookOptions) error {
	if err := checkFormat(o.format, "text", "json"); err != nil {
		return err
	}
	s, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer s.close()
	var p page
	if len(o.known.signals) > 0 {
		err = a.lookSignals(ctx, s, o, &p)
	} else {
		err = a.lookBuses(ctx, s, path, &p)
	}
	if err != nil {
		return err
	}
	if o.format == "json" {
		return writeJSON(a.Out, p)
	}
	_, err = io.WriteString(a.Out, p.text())
	return err
}

// each runs take over every batch of a session.
func (a *App) each(ctx context.Context, source capture.Source, take func(*capture.Batch)) error {
	tell := a.progress()
	defer a.progressDone()
	return a.readError(capture.Each(ctx, source, func(b *capture.Batch) {
		take(b)
		if n := len(b.Frames); n > 0 && tell != nil {
			tell(b.Frames[n-1].At)
		}
	}))
}

// lookBuses says what is on the buses. Who talks to whom needs a second look, which a stream on
// standard input does not give.
func (a *App) lookBuses(ctx context.Context, s *opened, path string, p *page) error {
	var facts session.Facts
	seen := survey.New()
	marks := 0
	err := a.each(ctx, s.source, func(b *capture.Batch) {
		facts.Observe(b)
		seen.Observe(b)
		for i := range b.Events {
			if b.Events[i].Kind == capture.EventJournal && b.Events[i].Name == session.KindMark {
				marks++
			}
		}
	})
	if err != nil {
		return err
	}
	p.fill(path, &facts, marks)
	p.stopped(s.integrity())
	p.buses(seen)
	p.record(s.record)
	var pairs []isotp.Pair
	for _, c := range seen.Candidates() {
		p.Talk = append(p.Talk, pageTalk{Looks: c.String(), pair: c.Pair})
		pairs = append(pairs, c.Pair)
	}
	if len(pairs) == 0 || path == "-" {
		return nil
	}
	again, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer again.close()
	talk := survey.NewTalk(pairs)
	if err := a.each(ctx, again.source, talk.Observe); err != nil {
		return err
	}
	p.talk(talk.Conversations())
	return nil
}

// lookSignals says what each signal did.
func (a *App) lookSignals(ctx context.Context, s *opened, o lookOptions, p *page) error {
	k, err := o.known.load(s.record)
	if err != nil {
		return err
	}
	d, err := decoderFor(k)
	if err != nil {
		return err
	}
	var facts session.Facts
	tallies := make([]decode.Tally, len(k.signals))
	var samples []decode.Sample
	take := func(samples []decode.Sample) {
		for i := range samples {
			tallies[samples[i].Signal].Add(samples[i])
		}
	}
	err = a.each(ctx, s.source, func(b *capture.Batch) {
		facts.Observe(b)
		samples = decodeBatch(d, b, samples[:0])
		take(samples)
	})
	if err != nil {
		return err
	}
	take(d.End(facts.End(), samples[:0]))
	p.fill(s.name, &facts, 0)
	p.stopped(s.integrity())
	for i := range k.signals {
		p.signal(&k.signals[i], &tallies[i])
	}
	for _, u := range d.Undecodable() {
		p.Notes = append(p.Notes, fmt.Sprintf("%s: %s", k.signals[u.Signal].Name, u.Why))
	}
	for _, r := range d.Reports() {
		p.Notes = append(p.Notes, fmt.Sprintf("%s: a second sender sent %d values, from packet %d on; the first one heard counts",
			k.signals[r.Signal].Name, r.Values, r.FirstPacket))
	}
	p.Notes = append(p.Notes, k.replaced...)
	return nil
}

// page is what `look` says: schema ridewitness/look/1.
type page struct {
	Schema  string       `json:"schema"`
	File    string       `json:"file"`
	Start   string       `json:"start"` // RFC 3339; "" where no frame and no record gives a time
	End     string       `json:"end"`
	Seconds float64      `json:"seconds"`
	Frames  uint64       `json:"frames"`
	Lost    *uint64      `json:"lost"`
	Origin  string       `json:"origin"`
	Marks   int          `json:"marks"`
	Buses   []pageBus    `json:"buses"`
	Talk    []pageTalk   `json:"talk,omitempty"`
	Signals []pageSignal `json:"signals,omitempty"`
	Notes   []string     `json:"notes,omitempty"`
	Damage  []string     `json:"damage,omitempty"`
}

type pageBus struct {
	Name     string   `json:"name"`
	Frames   uint64   `json:"frames"`
	Lost     *uint64  `json:"lost"`
	FD       uint64   `json:"fd"`
	Remote   uint64   `json:"remote"`
	Errors   uint64   `json:"error_frames"`
	BusOff   uint64   `json:"bus_off"`
	Overruns uint64   `json:"adapter_overruns"`
	Standard int      `json:"identifiers_11_bit"`
	Extended int      `json:"identifiers_29_bit"`
	Full     bool     `json:"more_29_bit,omitempty"`
	Groups   []uint32 `json:"parameter_groups,omitempty"`
	Known    []string `json:"known,omitempty"`
	Units    []string `json:"units,omitempty"`
}

type pageTalk struct {
	Looks string      `json:"looks_like"`
	Asked []pageAsked `json:"asked,omitempty"`
	pair  isotp.Pair
}

type pageAsked struct {
	Service    string `json:"service"`
	Identifier string `json:"identifier,omitempty"`
	Sub        string `json:"sub_function,omitempty"`
	Times      uint64 `json:"times"`
	Refused    uint64 `json:"refused"`
	Unanswered uint64 `json:"unanswered"`
	Least      int    `json:"answer_bytes_least"`
	Most       int    `json:"answer_bytes_most"`
	Packet     uint64 `json:"first_packet"`
	With       string `json:"with_identifiers,omitempty"`
}

type pageSignal struct {
	Name       string     `json:"name"`
	Corner     string     `json:"corner"`
	Quantity   string     `json:"quantity"`
	Unit       string     `json:"unit"`
	Count      uint64     `json:"count"`
	Valid      uint64     `json:"valid"`
	OutOfRange uint64     `json:"out_of_range"`
	Invalid    uint64     `json:"invalid"`
	Missing    uint64     `json:"missing"`
	PeriodS    float64    `json:"period_s"`
	First      *pageValue `json:"first"`
	Last       *pageValue `json:"last"`
	Least      *pageValue `json:"least"`
	Greatest   *pageValue `json:"greatest"`
	states     map[uint64]string
}

type pageValue struct {
	Value  float64 `json:"value"`
	Time   string  `json:"time"`
	Packet uint64  `json:"packet"`
}

func (p *page) fill(path string, f *session.Facts, marks int) {
	p.Schema, p.File = "ridewitness/look/1", path
	if f.Start() != 0 {
		p.Start, p.End = f.Start().String(), f.End().String()
	}
	p.Seconds = f.End().Sub(f.Start()).Seconds()
	p.Frames, p.Lost, p.Origin, p.Marks = f.Frames(), f.Lost(), f.Origin(), marks
	for _, b := range f.Buses() {
		p.Buses = append(p.Buses, pageBus{Name: b.Name, Frames: b.Frames, Lost: b.Lost})
	}
	for i, err := range f.Damage() {
		if i == 10 {
			p.Damage = append(p.Damage, fmt.Sprintf("and %d more", len(f.Damage())-i))
			break
		}
		p.Damage = append(p.Damage, err.Error())
	}
}

// stopped says where reading came to an end before the file did.
func (p *page) stopped(i session.Integrity) {
	if i.Stop != nil {
		p.Damage = append(p.Damage, fmt.Sprintf("all from here on: %v", i.Stop))
	}
}

// buses adds what the survey saw.
func (p *page) buses(s *survey.Survey) {
	for _, seen := range s.Buses() {
		for i := range p.Buses {
			b := &p.Buses[i]
			if b.Name != seen.Name {
				continue
			}
			b.FD, b.Remote, b.Errors, b.BusOff, b.Overruns = seen.FD, seen.Remote, seen.Errors, seen.BusOff, seen.Overruns
			b.Standard, b.Extended, b.Full = seen.Standard, seen.Extended, seen.Full
			b.Known = knownGroups(seen.Groups)
			if len(b.Known) > 0 {
				b.Groups = seen.Groups
			}
			for _, u := range seen.Units {
				b.Units = append(b.Units, fmt.Sprintf("address 0x%02X is function %d, vehicle system %d, industry group %d (packet %d)",
					u.Address, u.Name.Function(), u.Name.VehicleSystem(), u.Name.IndustryGroup(), u.Packet))
			}
		}
	}
	if s.Full() {
		p.Notes = append(p.Notes, "more identifiers look like a tester's talk than are remembered")
	}
}

// knownGroups returns the quantities that the built-in j1939 would decode from the groups.
func knownGroups(groups []uint32) []string {
	signals, _ := signaldef.Builtin("j1939")
	var names []string
	for i := range signals {
		for _, g := range groups {
			if signals[i].Origin.Group == g {
				names = append(names, signals[i].Name)
			}
		}
	}
	return names
}

func (p *page) record(r *session.SessionRecord) {
	if r == nil {
		return
	}
	for _, d := range r.Definitions {
		p.Notes = append(p.Notes, "the session holds the definitions "+d.Name)
	}
	if r.Card != nil {
		p.Notes = append(p.Notes, "the session holds the job card "+r.Card.Name)
	}
}

func (p *page) talk(conversations []survey.Conversation) {
	for _, c := range conversations {
		for i := range p.Talk {
			if p.Talk[i].pair == c.Pair {
				p.Talk[i].Asked = askedOf(c)
			}
		}
	}
}

func askedOf(c survey.Conversation) []pageAsked {
	var all []pageAsked
	for _, q := range c.Asked {
		out := pageAsked{Service: fmt.Sprintf("0x%02X %s", uint8(q.Service), q.Service), Times: q.Times, Refused: q.Refused,
			Unanswered: q.Unanswered, Least: q.Least, Most: q.Most, Packet: q.Packet}
		if q.HasID {
			out.Identifier = fmt.Sprintf("0x%04X", q.Identifier)
		}
		for _, id := range q.With {
			out.With = strings.TrimSpace(out.With + fmt.Sprintf(" 0x%04X", id))
		}
		if q.HasSub {
			out.Sub = fmt.Sprintf("0x%02X", q.Sub)
		}
		all = append(all, out)
	}
	return all
}

func (p *page) signal(s *decode.Signal, t *decode.Tally) {
	out := pageSignal{Name: s.Name, Corner: s.Corner.String(), Quantity: s.Quantity.String(), Unit: s.Unit.Name, Count: t.Count(),
		Valid: t.Valid, OutOfRange: t.OutOfRange, Invalid: t.Invalid, Missing: t.Missing, PeriodS: t.Rhythm.Period().Seconds(), states: s.States}
	if t.Valid > 0 {
		value := func(pt decode.Point) *pageValue {
			return &pageValue{Value: pt.Value, Time: pt.At.String(), Packet: pt.Packet}
		}
		out.First, out.Last, out.Least, out.Greatest = value(t.First), value(t.Last), value(t.Least), value(t.Greatest)
	}
	p.Signals = append(p.Signals, out)
}

// text writes the page in sentences.
func (p *page) text() string {
	var b strings.Builder
	lost := "nobody counted what was lost"
	if p.Lost != nil {
		lost = fmt.Sprintf("%d lost", *p.Lost)
	}
	start := "at a time that is not known"
	if p.Start != "" {
		start = "from " + p.Start
	}
	fmt.Fprintf(&b, "%s\n  %s, %s long; %d frames, %s; origin %s\n", p.File, start,
		time.Duration(p.Seconds*float64(time.Second)).Round(time.Second), p.Frames, lost, strings.ToUpper(p.Origin))
	if p.Marks > 0 {
		fmt.Fprintf(&b, "  %d marks\n", p.Marks)
	}
	if len(p.Signals) > 0 {
		p.signalText(&b)
	} else {
		p.busText(&b)
		p.talkText(&b)
	}
	for _, n := range p.Notes {
		fmt.Fprintf(&b, "\n%s\n", n)
	}
	for _, d := range p.Damage {
		fmt.Fprintf(&b, "\nleft out: %s\n", d)
	}
	return b.String()
}

func (p *page) busText(b *strings.Builder) {
	for i := range p.Buses {
		bus := &p.Buses[i]
		fmt.Fprintf(b, "\n%s carried %d frames under %s.\n", bus.Name, bus.Frames, identifiers(bus))
		for _, part := range []struct {
			n    uint64
			what string
		}{{bus.FD, "were in FD format"}, {bus.Remote, "were requests for a frame"}, {bus.Errors, "were error reports of the adapter"},
			{bus.BusOff, "of these said bus off"}, {bus.Overruns, "of these said that the adapter lost frames, nobody knows how many"}} {
			if part.n > 0 {
				fmt.Fprintf(b, "  %d %s.\n", part.n, part.what)
			}
		}
		if len(bus.Known) > 0 {
			fmt.Fprintf(b, "  Its 29-bit identifiers look like SAE J1939; '--signals j1939' would read\n    %s.\n", strings.Join(bus.Known, ",\n    "))
		}
		for _, u := range bus.Units {
			fmt.Fprintf(b, "  %s.\n", u)
		}
	}
}

func identifiers(b *pageBus) string {
	var parts []string
	if b.Standard > 0 {
		parts = append(parts, fmt.Sprintf("%d identifiers of 11 bits", b.Standard))
	}
	if b.Extended > 0 {
		more := ""
		if b.Full {
			more = " or more"
		}
		parts = append(parts, fmt.Sprintf("%d%s of 29 bits", b.Extended, more))
	}
	if len(parts) == 0 {
		return "no identifier"
	}
	return strings.Join(parts, " and ")
}

// talkText draws who talks to whom.
func (p *page) talkText(b *strings.Builder) {
	if len(p.Talk) == 0 {
		return
	}
	b.WriteString("\nTester and control units\n")
	for _, t := range p.Talk {
		fmt.Fprintf(b, "\n  %s\n", t.Looks)
		for _, q := range t.Asked {
			fmt.Fprintf(b, "    asked %s for %s%s%s%s\n", times(q.Times), q.Service, named(" identifier ", q.Identifier), named(" and ", q.With), named(" with ", q.Sub))
			fmt.Fprintf(b, "      %s, first in packet %d\n", answers(q), q.Packet)
		}
	}
}

func times(n uint64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func named(word, what string) string {
	if what == "" {
		return ""
	}
	return word + what
}

func answers(q pageAsked) string {
	text := "never answered with data"
	switch {
	case q.Least >= 0 && q.Least == q.Most:
		text = fmt.Sprintf("answered with %d bytes of data", q.Least)
	case q.Least >= 0:
		text = fmt.Sprintf("answered with %d to %d bytes of data", q.Least, q.Most)
	}
	if q.Refused > 0 {
		text += ", refused " + times(q.Refused)
	}
	if q.Unanswered > 0 {
		text += ", not answered " + times(q.Unanswered)
	}
	return text
}

func (p *page) signalText(b *strings.Builder) {
	for i := range p.Signals {
		s := &p.Signals[i]
		what := strings.TrimSpace(s.Corner + " " + s.Quantity)
		if s.Count == 0 {
			fmt.Fprintf(b, "\n%s (%s) never came.\n", s.Name, what)
			continue
		}
		fmt.Fprintf(b, "\n%s (%s) came %d times, usually every %.3g s.\n", s.Name, what, s.Count, s.PeriodS)
		for _, bad := range []struct {
			n    uint64
			what string
		}{{s.Invalid, "invalid by their bit pattern"}, {s.OutOfRange, "outside the valid range"}, {s.Missing, "missing, the frame being too short"}} {
			if bad.n > 0 {
				fmt.Fprintf(b, "  %d of them were %s.\n", bad.n, bad.what)
			}
		}
		if s.First == nil {
			b.WriteString("  No value of it was valid.\n")
			continue
		}
		fmt.Fprintf(b, "  It began at %s and ended at %s.\n", s.shown(s.First), s.shown(s.Last))
		if s.states == nil {
			fmt.Fprintf(b, "  Least %s, greatest %s.\n", s.shown(s.Least), s.shown(s.Greatest))
		}
	}
}

// shown writes a value with its packet.
func (s *pageSignal) shown(v *pageValue) string {
	if word, ok := s.states[uint64(v.Value)]; ok {
		return fmt.Sprintf("'%s' (packet %d)", word, v.Packet)
	}
	return strings.TrimSpace(fmt.Sprintf("%.6g %s", v.Value, s.Unit)) + fmt.Sprintf(" (packet %d)", v.Packet)
}
