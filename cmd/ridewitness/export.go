package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"math"
	"strconv"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/decode"
)

type exportOptions struct {
	known  knownFlags
	format string
	output string
	only   []string
}

func newExportCommand(a *App) *cobra.Command {
	var o exportOptions
	cmd := &cobra.Command{
		Use:     "export FILE",
		GroupID: groupFile,
		Short:   "Hand out decoded values with status and packet (CSV, JSON Lines)",
		Long: `Write every decoded value, one a line, with its time, status and the packet it came from. Values are
in the unit and the reference of their definition. A value whose status is not 'valid' is not what
the sensor measured.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.export(cmd.Context(), args[0], o)
		},
	}
	o.known.bind(cmd.Flags())
	formatFlag(cmd.Flags(), &o.format, "csv", "jsonl")
	cmd.Flags().StringVar(&o.output, "output", "", "write to this file in place of standard output")
	cmd.Flags().StringArrayVar(&o.only, "signal", nil, "only this signal; may be repeated")
	return cmd
}

func (a *App) export(ctx context.Context, path string, o exportOptions) error {
	if err := checkFormat(o.format, "csv", "jsonl"); err != nil {
		return err
	}
	if err := mayWrite(o.output); err != nil {
		return err
	}
	s, err := a.open(ctx, path)
	if err != nil {
		return err
	}
	defer s.close()
	k, err := o.known.load(s.record)
	if err != nil {
		return err
	}
	if len(k.signals) == 0 {
		return usage("give --signals j1939 or a file of your own; 'ridewitness look "+path+"' says what is in the session",
			"no signal definitions, so there is nothing to decode")
	}
	wanted, err := only(k.signals, o.only)
	if err != nil {
		return err
	}
	d, err := decoderFor(k)
	if err != nil {
		return err
	}
	return a.writeTo(o.output, func(w io.Writer) error {
		return a.exportSamples(ctx, s, d, wanted, newExporter(w, o.format, d.Signals()))
	})
}

// only returns which signals are wanted, all where no name is given.
func only(signals []decode.Signal, names []string) ([]bool, error) {
	wanted := make([]bool, len(signals))
	for i := range wanted {
		wanted[i] = len(names) == 0
	}
	for _, name := range names {
		found := false
		for i := range signals {
			if signals[i].Name == name {
				wanted[i], found = true, true
			}
		}
		if !found {
			return nil, usage("'ridewitness look FILE --signals ...' lists them", "--signal: there is no signal %q", name)
		}
	}
	return wanted, nil
}

// decoderFor returns a decoder that also follows what the card's requests are about.
func decoderFor(k *known) (*decode.Decoder, error) {
	d, err := decode.NewDecoder(k.signals)
	if err != nil {
		return nil, unreadable(err, "")
	}
	if k.card != nil {
		for _, s := range k.card.Stages {
			d.Listen(s.Address)
		}
	}
	return d, nil
}

// exportSamples decodes a session to its end.
func (a *App) exportSamples(ctx context.Context, s *opened, d *decode.Decoder, wanted []bool, out *exporter) error {
	var samples []decode.Sample
	var last capture.Stamp
	batch := capture.NewBatch()
	tell := a.progress()
	defer a.progressDone()
	for {
		err := s.source.Next(ctx, batch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return a.readError(err)
		}
		samples = decodeBatch(d, batch, samples[:0])
		if err := out.write(samples, wanted); err != nil {
			return err
		}
		if n := len(batch.Frames); n > 0 {
			last = batch.Frames[n-1].At
		}
		if tell != nil {
			tell(last)
		}
	}
	if err := out.write(d.End(last, samples[:0]), wanted); err != nil {
		return err
	}
	return out.w.Flush()
}

// decodeBatch decodes a batch, its events at their place among the frames.
func decodeBatch(d *decode.Decoder, b *capture.Batch, into []decode.Sample) []decode.Sample {
	next := 0
	for i := range b.Events {
		upTo := min(max(next, b.Events[i].Index), len(b.Frames))
		into = d.Decode(b.Frames[next:upTo], into)
		next = upTo
		d.Observe(b.Events[i])
	}
	return d.Decode(b.Frames[next:], into)
}

// exporter writes samples line by line without allocating.
type exporter struct {
	w       *bufio.Writer
	line    []byte
	json    bool
	signals []decode.Signal
	heads   [][]byte // per signal: what stands between time and value
}

const csvHead = "time,signal,corner,quantity,reference,unit,value,state,status,packet\n"

func newExporter(w io.Writer, format string, signals []decode.Signal) *exporter {
	e := &exporter{w: bufio.NewWriterSize(w, 64<<10), json: format == "jsonl", signals: signals}
	for i := range signals {
		s := &signals[i]
		fields := []string{s.Name, s.Corner.String(), s.Quantity.String(), s.Reference.String(), s.Unit.Name}
		var head []byte
		if e.json {
			for k, name := range []string{"signal", "corner", "quantity", "reference", "unit"} {
				head = append(head, `,"`+name+`":`...)
				head = strconv.AppendQuote(head, fields[k])
			}
		} else {
			for _, f := range fields {
				head = append(append(head, ','), f...)
			}
		}
		e.heads = append(e.heads, head)
	}
	if !e.json {
		e.w.WriteString(csvHead)
	}
	return e
}

func (e *exporter) write(samples []decode.Sample, wanted []bool) error {
	for i := range samples {
		s := &samples[i]
		if !wanted[s.Signal] {
			continue
		}
		if e.json {
			e.jsonLine(s)
		} else {
			e.csvLine(s)
		}
		if _, err := e.w.Write(e.line); err != nil {
			return err
		}
	}
	return nil
}

// number appends a value; a sample without one leaves it empty (CSV) or null (JSON).
func (e *exporter) number(s *decode.Sample) {
	if s.Status == decode.StatusMissing {
		if e.json {
			e.line = append(e.line, "null"...)
		}
		return
	}
	if s.Value == math.Trunc(s.Value) && math.Abs(s.Value) < 1<<53 {
		e.line = strconv.AppendInt(e.line, int64(s.Value), 10)
		return
	}
	// Twelve digits: more than any fraction on a bus has, and few enough to hide the binary one.
	e.line = strconv.AppendFloat(e.line, s.Value, 'g', 12, 64)
}

func (e *exporter) csvLine(s *decode.Sample) {
	e.line = s.At.Append(e.line[:0])
	e.line = append(e.line, e.heads[s.Signal]...)
	e.line = append(e.line, ',')
	e.number(s)
	e.line = append(append(e.line, ','), e.signals[s.Signal].States[s.Raw]...)
	e.line = append(append(e.line, ','), s.Status.String()...)
	e.line = strconv.AppendUint(append(e.line, ','), s.Packet, 10)
	e.line = append(e.line, '\n')
}

func (e *exporter) jsonLine(s *decode.Sample) {
	e.line = append(s.At.Append(append(e.line[:0], `{"time":"`...)), '"')
	e.line = append(e.line, e.heads[s.Signal]...)
	e.line = append(e.line, `,"value":`...)
	e.number(s)
	if word := e.signals[s.Signal].States[s.Raw]; word != "" {
		e.line = strconv.AppendQuote(append(e.line, `,"state":`...), word)
	}
	e.line = append(append(append(e.line, `,"status":"`...), s.Status.String()...), '"')
	e.line = strconv.AppendUint(append(e.line, `,"packet":`...), s.Packet, 10)
	e.line = append(e.line, "}\n"...)
}
