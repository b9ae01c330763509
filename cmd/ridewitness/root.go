package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// newcomer is what the program says when it is asked for nothing: six lines, not the whole table.
const newcomer = `ridewitness watches a spring job over the vehicle network and proves what happened.

  ridewitness demo                  watch a job that goes wrong; no hardware needed
  ridewitness look SESSION.pcapng   what is in a recording
  ridewitness review SESSION.pcapng who was lowered on what, with the evidence
  ridewitness help                  everything else; 'help cautions' before a real job
`

// Groups of commands, in the order of a job.
const (
	groupStart   = "start"
	groupBefore  = "before"
	groupSignals = "signals"
	groupDuring  = "during"
	groupAfter   = "after"
	groupFile    = "file"
	groupClass   = "class"
	groupHelp    = "help"
)

func newRootCommand(a *App) *cobra.Command {
	root := &cobra.Command{
		Use:           "ridewitness",
		Short:         "Record, judge and replay what a vehicle network says while air springs are bled and filled",
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          noCommand,
		RunE: func(*cobra.Command, []string) error {
			_, err := io.WriteString(a.Out, newcomer)
			return err
		},
	}
	root.SetIn(a.In)
	root.SetOut(a.Out)
	root.SetErr(a.Err)
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddGroup(
		&cobra.Group{ID: groupStart, Title: "Start"},
		&cobra.Group{ID: groupBefore, Title: "Before the job"},
		&cobra.Group{ID: groupDuring, Title: "During the job"},
		&cobra.Group{ID: groupSignals, Title: "Signals"},
		&cobra.Group{ID: groupAfter, Title: "After the job"},
		&cobra.Group{ID: groupFile, Title: "The file"},
		&cobra.Group{ID: groupClass, Title: "In class"},
		&cobra.Group{ID: groupHelp, Title: "Help"},
	)
	root.SuggestionsMinimumDistance = 2
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if !cmd.HasParent() {
			return usage("'ridewitness help' lists the commands", "%w", err)
		}
		return usage("see 'ridewitness help "+cmd.Name()+"'", "%w", err)
	})
	for _, add := range commands {
		root.AddCommand(add(a))
	}
	root.SetHelpCommand(newHelpCommand(a))
	return root
}

// noCommand refuses words that are no command, with the nearest one.
func noCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	hint := "'ridewitness help' lists the commands"
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		hint = fmt.Sprintf("did you mean '%s'?", strings.Join(near, "' or '"))
	}
	return usage(hint, "%q is not a command", args[0])
}

// exactly demands the named arguments, no more and no less.
func exactly(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) < len(names):
			return usage("use: "+cmd.UseLine(), "%s is missing", names[len(args)])
		case len(args) > len(names):
			return usage("use: "+cmd.UseLine(), "%q is one word too many", args[len(names)])
		}
		return nil
	}
}
