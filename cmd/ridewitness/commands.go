package main

import "github.com/spf13/cobra"

// commands makes every subcommand. To add one, write its file and name it here.
var commands = []func(*App) *cobra.Command{
	newCompletionCommand,
}
