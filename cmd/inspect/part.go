package main

import "github.com/spf13/cobra"

func newPartCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "part",
		Short: "Check, start or draw part files",
		Args:  subcommandOnly,
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
}
