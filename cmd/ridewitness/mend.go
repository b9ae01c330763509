package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"ridewitness/capture/session"
)

func newMendCommand(a *App) *cobra.Command {
	var output string
	cmd := &cobra.Command{
		Use:     "mend FILE --output FILE",
		GroupID: groupFile,
		Short:   "Write what is still good in a damaged session into a new file",
		Long: `Read a session that is cut short or damaged and write what is still good into a new, sealed file,
which names its source's digest. The source is not touched.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.mend(args[0], output)
		},
	}
	cmd.Flags().StringVar(&output, "output", "", "the new file; never over an existing one")
	return cmd
}

func (a *App) mend(path, output string) error {
	if output == "" {
		return usage("mend "+path+" --output CLEAN.pcapng", "--output is missing")
	}
	if err := aFile(path); err != nil {
		return err
	}
	if err := mayWrite(output); err != nil {
		return err
	}
	report, err := session.Mend(path, output)
	if err != nil {
		return a.fileError(err)
	}
	_, err = fmt.Fprintln(a.Out, report)
	return err
}
