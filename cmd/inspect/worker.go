package main

import (
	"github.com/spf13/cobra"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/worker"
)

// newWorkerCmd makes the command that the program starts itself with, to measure pictures in
// processes that may die alone.
func newWorkerCmd() *cobra.Command {
	return &cobra.Command{
		Use:    "worker",
		Short:  "Measure pictures for the inspect that started it",
		Hidden: true,
		Args:   usageArgs(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			if err := cv.SetThreads(1); err != nil {
				return err
			}
			return worker.Serve()
		},
	}
}
