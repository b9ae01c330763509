package main

import "github.com/spf13/cobra"

// commands makes every subcommand, in the order of a job. To add one, write its file and name it here.
var commands = []func(*App) *cobra.Command{
	newDemoCommand,
	newPrepareCommand,
	newRecordCommand,
	newMarkCommand,
	newFollowCommand,
	newHandoverCommand,
	newLookCommand,
	newReviewCommand,
	newExplainCommand,
	newCompareCommand,
	newVerifyCommand,
	newMendCommand,
	newExportCommand,
	newSimulateCommand,
	newReplayCommand,
	newClassCommand,
	newCompletionCommand,
}
