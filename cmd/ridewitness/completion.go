package main

import (
	"github.com/spf13/cobra"
)

func newCompletionCommand(a *App) *cobra.Command {
	return &cobra.Command{
		Use:       "completion SHELL",
		GroupID:   groupHelp,
		Short:     "Print the completion script for bash, zsh, fish or powershell",
		Args:      exactly("SHELL"),
		ValidArgs: []string{"bash", "zsh", "fish", "powershell"},
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(a.Out, true)
			case "zsh":
				return root.GenZshCompletion(a.Out)
			case "fish":
				return root.GenFishCompletion(a.Out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(a.Out)
			default:
				return usage("bash, zsh, fish or powershell", "%q is not a shell that this program knows", args[0])
			}
		},
	}
}
