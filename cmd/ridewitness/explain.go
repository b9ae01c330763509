package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/j1939"
	"ridewitness/decode/trace"
)

func newExplainCommand(a *App) *cobra.Command {
	var flags knownFlags
	cmd := &cobra.Command{
		Use:     "explain FILE PACKET",
		GroupID: groupAfter,
		Short:   "Show one packet (or journal record, J3) down to the bits and the arithmetic",
		Long: `Show one packet: when it came, what it holds, and for each signal in it the bytes, the mask, the bits
and the arithmetic, so that anybody can recompute the value by hand. A frame that is part of a longer
message is shown with the whole message. The packet number is the one that a general packet tool
shows; J3 is the third record of the journal.`,
		Args:              exactly("FILE", "PACKET"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.explain(cmd.Context(), args[0], args[1], flags)
		},
	}
	flags.bind(cmd.Flags())
	return cmd
}

func (a *App) explain(ctx context.Context, path, which string, flags knownFlags) error {
	digits, record := strings.CutPrefix(which, "J")
	n, err := strconv.ParseUint(digits, 10, 64)
	if err != nil || n == 0 {
		return usage("a packet is a number from 1; a journal record is written J3", "%q is no packet", which)
	}
	if err := aFile(path); err != nil {
		return err
	}
	if record {
		return a.explainRecord(ctx, path, n)
	}
	found, err := session.Locate(ctx, path, n)
	if err != nil {
		return a.fileError(err)
	}
	s, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer s.close()
	k, err := flags.load(s.record)
	if err != nil {
		return err
	}
	var b strings.Builder
	writePacket(&b, path, n, found, originOf(s.record))
	if found.Frame != nil {
		writeSignals(&b, found, k)
		if err := a.writeMessage(ctx, &b, s, found, k); err != nil {
			return err
		}
	}
	_, err = io.WriteString(a.Out, b.String())
	return err
}

// writePacket says what a packet is, as sentences and its bytes.
func writePacket(b *strings.Builder, path string, n uint64, p *session.Located, origin string) {
	fmt.Fprintf(b, "packet %d of %d in %s: %s at byte %d\n  origin %s\n", n, p.Packets, path, p.Name, p.Offset, strings.ToUpper(origin))
	if p.Damage != nil {
		fmt.Fprintf(b, "  it can't be read: %v\n", p.Damage)
	}
	f := p.Frame
	if f == nil {
		fmt.Fprintf(b, "  it holds no frame that is read; its bytes are\n%s", hexLines(p.Block))
		return
	}
	if f.Flags.Has(capture.Untimed) {
		b.WriteString("  the file gives no time for it\n")
	} else {
		fmt.Fprintf(b, "  %s, %s into the session\n", f.At, clockText(f.At.Sub(p.Start).Seconds()))
	}
	fmt.Fprintf(b, "  on %s%s\n", p.Bus, direction(f))
	fmt.Fprintf(b, "  %s\n", kindText(f))
	if f.Flags.Has(capture.Error) {
		writeErrorFrame(b, f)
		return
	}
	if f.Flags.Has(capture.Extended) {
		id := j1939.Split(f.ID)
		fmt.Fprintf(b, "  read as SAE J1939: group %d (0x%04X), from address 0x%02X to 0x%02X, priority %d\n",
			id.Group, id.Group, id.Source, id.Destination, id.Priority)
	}
	b.WriteString(hexLines(f.Payload()))
}

// hexLines writes bytes eight to a line with their numbers.
func hexLines(data []byte) string {
	var b strings.Builder
	for from := 0; from < len(data); from += 8 {
		to := min(from+8, len(data))
		fmt.Fprintf(&b, "  bytes %2d to %2d   % X\n", from, to-1, data[from:to])
	}
	return b.String()
}

func clockText(seconds float64) string {
	s := int(seconds)
	return fmt.Sprintf("%02d:%02d:%06.3f", s/3600, s/60%60, seconds-float64(s/60*60))
}

func direction(f *capture.Frame) string {
	switch {
	case f.Flags.Has(capture.Inbound):
		return ", came in from the bus"
	case f.Flags.Has(capture.Outbound):
		return ", sent by the recording host"
	default:
		return ", direction not recorded"
	}
}

func kindText(f *capture.Frame) string {
	bits, digits := 11, 3
	if f.Flags.Has(capture.Extended) {
		bits, digits = 29, 8
	}
	text := fmt.Sprintf("identifier 0x%0*X (%d bits), %d bytes", digits, uint32(f.ID), bits, f.Len)
	switch {
	case f.Flags.Has(capture.Error):
		return fmt.Sprintf("a report of the adapter, classes 0x%03X", uint32(f.ErrorClass()))
	case f.Flags.Has(capture.Remote):
		return text + " asked for; a request holds no data"
	case f.Flags.Has(capture.FD):
		text += ", FD format"
		if f.Flags.Has(capture.BitRateSwitch) {
			text += " with bit-rate switch"
		}
	}
	if f.Flags.Has(capture.Cut) {
		text += "; the capture did not keep the rest"
	}
	return text
}

// errorClasses are the classes of an error frame in words (kernel header linux/can/error.h).
var errorClasses = []struct {
	class capture.ErrorClass
	words string
}{
	{capture.ErrorTxTimeout, "sending timed out"},
	{capture.ErrorArbitration, "arbitration was lost"},
	{capture.ErrorController, "controller problem"},
	{capture.ErrorProtocol, "protocol violation"},
	{capture.ErrorTransceiver, "transceiver problem"},
	{capture.ErrorNoAck, "nobody acknowledged"},
	{capture.ErrorBusOff, "bus off"},
	{capture.ErrorBus, "bus error"},
	{capture.ErrorRestarted, "the controller was restarted"},
	{capture.ErrorCounters, "error counters are given"},
}

func writeErrorFrame(b *strings.Builder, f *capture.Frame) {
	for _, c := range errorClasses {
		if f.ErrorClass()&c.class != 0 {
			fmt.Fprintf(b, "    %s\n", c.words)
		}
	}
	if f.ControllerOverflow() {
		b.WriteString("    its receive buffer overflowed: frames were lost, nobody knows how many\n")
	}
	if f.ErrorClass()&capture.ErrorCounters != 0 && f.Len >= 8 {
		fmt.Fprintf(b, "    %d errors sending, %d receiving\n", f.Data[6], f.Data[7])
	}
	b.WriteString(hexLines(f.Payload()))
}

// writeSignals shows the signals that lie in the frame itself.
func writeSignals(b *strings.Builder, p *session.Located, k *known) {
	f := p.Frame
	if f.Flags&(capture.Remote|capture.Error) != 0 {
		return
	}
	var elsewhere []string
	for i := range k.signals {
		s := &k.signals[i]
		switch {
		case !liesIn(s, f, p.Bus):
		case s.When != nil && !selected(s, f.Payload()):
			elsewhere = append(elsewhere, s.Name)
		default:
			writeSignal(b, s, f.Payload(), 0, "")
		}
	}
	if len(elsewhere) > 0 {
		fmt.Fprintf(b, "\nNot in this packet, whose selector names others: %s.\n", strings.Join(elsewhere, ", "))
	}
	if len(k.signals) == 0 {
		b.WriteString("\nno signal definitions: give --signals to see what its bits mean\n")
	}
}

// liesIn reports whether a signal is defined in frames such as f.
func liesIn(s *decode.Signal, f *capture.Frame, bus string) bool {
	o := &s.Origin
	if o.Bus != "" && o.Bus != bus {
		return false
	}
	switch o.Kind {
	case decode.FromFrame:
		return o.ID == f.ID && o.Extended == f.Flags.Has(capture.Extended)
	case decode.FromGroup:
		if !f.Flags.Has(capture.Extended) {
			return false
		}
		id := j1939.Split(f.ID)
		return id.Group == o.Group && (o.Source == decode.AnySource || o.Source == int(id.Source))
	default:
		return false
	}
}

// selected reports whether the payload is one of a multiplexed signal.
func selected(s *decode.Signal, payload []byte) bool {
	selector, ok := s.When.Field.Raw(payload)
	return ok && selector == s.When.Equals
}

// writeSignal shows how a value comes out of a payload: bytes, number, mask, bits, arithmetic. skip is
// where the payload begins in what is shown above it.
func writeSignal(b *strings.Builder, s *decode.Signal, payload []byte, skip int, where string) {
	fmt.Fprintf(b, "\n%s  (%s)%s\n", s.Name, s.Place, where)
	if s.When != nil {
		fmt.Fprintf(b, "  only where %s under mask 0x%X is %d, as it is here\n", bytesText(&s.When.Field, skip), s.When.Field.Mask, s.When.Equals)
	}
	raw, ok := s.Field.Raw(payload)
	if !ok {
		fmt.Fprintf(b, "  %s: the payload has %d bytes, so the value is missing\n", bytesText(&s.Field, skip), len(payload))
		return
	}
	writeField(b, &s.Field, payload, raw, skip)
	status, value := s.Judge(raw)
	switch {
	case len(s.States) > 0:
		word := s.States[raw]
		if word == "" {
			word = "no state that is defined"
		}
		fmt.Fprintf(b, "  state      %d is '%s'\n", raw, word)
	default:
		sign, offset := "+", s.Offset
		if offset < 0 {
			sign, offset = "-", -offset
		}
		fmt.Fprintf(b, "  value      %s x %g %s %g = %.10g %s\n", number(s, raw), s.Scale, sign, offset, value, unitText(s))
	}
	fmt.Fprintf(b, "  status     %s%s; the definition is %s\n", status, rangeText(s), s.Proof)
}

// writeField shows the way from the bytes to the raw number.
func writeField(b *strings.Builder, f *decode.Field, payload []byte, raw uint64, skip int) {
	n := f.To - f.From + 1
	whole := uint64(0)
	for i := range n {
		at := f.From + i
		if f.Order != decode.HighFirst {
			at = f.To - i
		}
		whole = whole<<8 | uint64(payload[at])
	}
	order := ""
	switch {
	case n > 1 && f.Order == decode.HighFirst:
		order = ", the first byte is the highest"
	case n > 1:
		order = ", the first byte is the lowest"
	}
	fmt.Fprintf(b, "  %-10s % X%s: 0x%0*X\n", bytesText(f, skip), payload[f.From:f.To+1], order, 2*n, whole)
	fmt.Fprintf(b, "  in bits    %s\n", bitText(whole, 8*n, ^uint64(0)))
	fmt.Fprintf(b, "  mask       %s  0x%0*X keeps %d bits\n", bitText(whole, 8*n, f.Mask), 2*n, f.Mask, f.Width())
	fmt.Fprintf(b, "  raw        0x%X = %d\n", raw, raw)
}

func bytesText(f *decode.Field, skip int) string {
	if f.From == f.To {
		return fmt.Sprintf("byte %d", f.From+skip)
	}
	return fmt.Sprintf("bytes %d-%d", f.From+skip, f.To+skip)
}

// bitText writes the bits of a number in groups of four; those that the mask drops are dots.
func bitText(v uint64, width int, mask uint64) string {
	var b strings.Builder
	for i := width - 1; i >= 0; i-- {
		switch {
		case mask>>i&1 == 0:
			b.WriteByte('.')
		case v>>i&1 == 1:
			b.WriteByte('1')
		default:
			b.WriteByte('0')
		}
		if i > 0 && i%4 == 0 {
			b.WriteByte(' ')
		}
	}
	return b.String()
}

// number writes what a bit pattern counts, and how a signed one comes to it.
func number(s *decode.Signal, raw uint64) string {
	n := s.Field.Number(raw)
	if s.Field.Signed && n < 0 {
		return fmt.Sprintf("(%d - 2^%d = %.0f)", raw, s.Field.Width(), n)
	}
	return fmt.Sprintf("%.0f", n)
}

func unitText(s *decode.Signal) string {
	text := s.Unit.Name
	if r := s.Reference.String(); r != "" {
		if s.Quantity == decode.Height {
			return text + " relative to design height"
		}
		text += " " + r
	}
	return text
}

func rangeText(s *decode.Signal) string {
	if !s.HasValid {
		return ""
	}
	return fmt.Sprintf(" (valid from %g to %g)", s.ValidMin, s.ValidMax)
}

// writeMessage shows the longer message that the packet is part of, if a definition or the card names
// its address pair or group.
func (a *App) writeMessage(ctx context.Context, b *strings.Builder, s *opened, p *session.Located, k *known) error {
	t := trace.New(k.signals, stageAddresses(k), p.Frame.Packet)
	if !t.Needed() {
		return nil
	}
	err := a.each(ctx, stopping{s.source, t.Done}, t.Observe)
	if err != nil {
		return err
	}
	m := t.Message()
	if m == nil {
		return nil
	}
	fmt.Fprintf(b, "\npart of a message %s: %d bytes in %s\n", m.Way, len(m.Payload), packetList(m.Packets))
	b.WriteString(hexLines(m.Payload))
	for _, line := range m.Meaning {
		fmt.Fprintf(b, "  %s\n", line)
	}
	for _, part := range m.Parts {
		if part.Signal.When != nil && !selected(part.Signal, m.Payload[part.From:part.To]) {
			continue
		}
		writeSignal(b, part.Signal, m.Payload[part.From:part.To], part.From, part.Where)
	}
	return nil
}

func stageAddresses(k *known) []decode.Address {
	if k.card == nil {
		return nil
	}
	var all []decode.Address
	for _, st := range k.card.Stages {
		all = append(all, st.Address)
	}
	return all
}

func packetList(packets []uint64) string {
	if len(packets) == 1 {
		return fmt.Sprintf("packet %d", packets[0])
	}
	var parts []string
	for i, n := range packets {
		if i == 12 && len(packets) > 14 {
			parts = append(parts, fmt.Sprintf("... %d", packets[len(packets)-1]))
			break
		}
		parts = append(parts, strconv.FormatUint(n, 10))
	}
	return "packets " + strings.Join(parts, ", ")
}

// stopping ends a source when it has given what was wanted.
type stopping struct {
	capture.Source
	done func() bool
}

// Next implements capture.Source.
func (s stopping) Next(ctx context.Context, into *capture.Batch) error {
	if s.done() {
		into.Reset()
		return io.EOF
	}
	return s.Source.Next(ctx, into)
}

func (a *App) explainRecord(ctx context.Context, path string, n uint64) error {
	r, err := session.LocateRecord(ctx, path, n)
	if err != nil {
		return a.fileError(err)
	}
	s, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	defer s.close()
	text := fmt.Sprintf("record J%d of %d in %s, at byte %d\n  origin %s\n", n, r.Records, path, r.Offset, strings.ToUpper(originOf(s.record)))
	if r.Damage != nil {
		text += fmt.Sprintf("  it can't be read: %v\n", r.Damage)
	}
	if e := r.Record; e != nil {
		text += fmt.Sprintf("  %s, %s into the session\n  kind %s\n  %s\n", e.At, clockText(e.At.Sub(r.Start).Seconds()), e.Name, e.Body)
	}
	_, err = io.WriteString(a.Out, text)
	return err
}
