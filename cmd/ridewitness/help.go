package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ridewitness/decode/signaldef"
	"ridewitness/replay/classroom"
	"ridewitness/replay/handover"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
	"ridewitness/safety/review"
)

// topic is a page of help that is not about one command.
type topic struct {
	name   string
	short  string
	write  func(io.Writer) error
	schema func() []byte // printed by --schema; nil where there is none
}

// topics are the pages of help, in the order in which they are listed.
var topics = []topic{
	{"cautions", "what this program can't see, and what hurts people", text(cautionsText), nil},
	{"marks", "the marks that hands set, and what each means", writeMarks, nil},
	{"signals", "how to define where pressure and height lie", text(signalsText), signaldef.Schema},
	{"jobcard", "what the workshop may tell about a job", text(jobcardText), jobcard.Schema},
	{"rules", "every safety rule, its numbers and where they come from", writeRules, nil},
	{"files", "what is in a session file, and how to check it", text(filesText), nil},
	{"exit", "exit statuses", text(exitText), nil},
}

// outputSchemas are the JSON Schemas of what commands write with --format json, and of scenario files;
// `help COMMAND --schema` prints them.
var outputSchemas = map[string]func() []byte{
	"review":   review.SchemaDocument,
	"compare":  review.CompareSchemaDocument,
	"handover": handover.SchemaDocument,
	"simulate": scenario.Schema,
	"class":    classroom.Schema,
}

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := io.WriteString(w, s)
		return err
	}
}

func newHelpCommand(a *App) *cobra.Command {
	var schema bool
	cmd := &cobra.Command{
		Use:     "help [TOPIC]",
		GroupID: groupHelp,
		Short:   "Explain a command or a topic",
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.help(cmd.Root(), args, schema)
		},
		ValidArgsFunction: func(cmd *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
			return helpNames(cmd.Root()), cobra.ShellCompDirectiveNoFileComp
		},
	}
	cmd.Flags().BoolVar(&schema, "schema", false, "print the JSON Schema of the topic's files instead")
	return cmd
}

func helpNames(root *cobra.Command) []string {
	var names []string
	for _, t := range topics {
		names = append(names, t.name)
	}
	for _, c := range root.Commands() {
		names = append(names, c.Name())
	}
	return names
}

func (a *App) help(root *cobra.Command, args []string, schema bool) error {
	if len(args) == 0 {
		return a.overview(root)
	}
	for _, t := range topics {
		if t.name != args[0] {
			continue
		}
		if !schema {
			return t.write(a.Out)
		}
		if t.schema == nil {
			return usage("signals, jobcard, review, compare, handover, simulate and class have one", "%s has no schema", t.name)
		}
		_, err := a.Out.Write(t.schema())
		return err
	}
	if print := outputSchemas[args[0]]; schema && print != nil {
		_, err := a.Out.Write(print())
		return err
	}
	cmd, _, err := root.Find(args)
	if err != nil || cmd == root {
		return usage("topics: "+strings.Join(helpNames(root), ", "), "there is no help on %q", args[0])
	}
	cmd.InitDefaultHelpFlag() // so that it is listed, as with --help
	return cmd.Help()
}

// overview lists commands by group, and topics.
func (a *App) overview(root *cobra.Command) error {
	var b strings.Builder
	b.WriteString("ridewitness COMMAND\n")
	for _, g := range root.Groups() {
		var lines []string
		for _, c := range root.Commands() {
			if c.GroupID == g.ID {
				lines = append(lines, fmt.Sprintf("  %-12s %s\n", c.Name(), c.Short))
			}
		}
		if len(lines) > 0 {
			fmt.Fprintf(&b, "\n%s\n%s", g.Title, strings.Join(lines, ""))
		}
	}
	b.WriteString("\nTopics of 'ridewitness help TOPIC'\n")
	for _, t := range topics {
		fmt.Fprintf(&b, "  %-12s %s\n", t.name, t.short)
	}
	b.WriteString("\n" + review.Caution + "\n")
	_, err := io.WriteString(a.Out, b.String())
	return err
}

func writeMarks(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Marks say what hands did and no network shows. A finding that rests on one says so.\n\n")
	for _, m := range safety.MarkKinds {
		value := ""
		if m.Value != "" {
			value = "  value such as '" + m.Value + "'"
		}
		fmt.Fprintf(&b, "  %-16s %s%s\n", m.Name, m.Means, value)
	}
	b.WriteString(marksText)
	_, err := io.WriteString(w, b.String())
	return err
}

func writeRules(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Every rule answers held, broken or cannot tell, per corner where it applies.\n" +
		"Missing, invalid, stale or contradicted data never becomes held.\n")
	for _, r := range safety.Rules {
		fmt.Fprintf(&b, "\n%s (%s%s)\n%s\n  source: %s\n", r.Name, r.Severity, asked(r), indent(r.Doc), r.Source)
		for _, l := range r.Limits {
			fmt.Fprintf(&b, "  limit %s: %s\n", l, l.Text())
		}
	}
	b.WriteString("\nLimits that a job card may give, and what counts without it\n")
	for l := safety.LimitName(0); l <= safety.LimitGreatest; l++ {
		fmt.Fprintf(&b, "  %-20s %s\n", l, l.Text())
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func asked(r *safety.Rule) string {
	switch r.Asked {
	case safety.AskedAlways:
		return ", always asked"
	case safety.AskedByMark:
		return ", asked where its mark is there"
	case safety.AskedByCard:
		return ", asked where the card has the data"
	default:
		return ", asked only with --ask"
	}
}

func indent(s string) string { return "  " + strings.ReplaceAll(s, "\n", "\n  ") }
