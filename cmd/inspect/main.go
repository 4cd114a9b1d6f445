// Inspect measures microscope pictures of dies, caps, columns and balls, judges them by a part
// file and charts what the line does.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// run does what the command line asks and returns the exit status.
func run(args []string, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()

	root := newRootCmd()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	return exitStatus(cmd, err, stderr)
}

const rootLong = `inspect measures where a die sits on its substrate and whether its columns or balls are
all there, in place and upright. It judges each picture by the limits of a part file:
accept, reject, review (the uncertainty straddles a limit) or retake (the picture can't
be measured), charts what the line does, and keeps what people decide about it.

Exit status of every command:
  0  all accepted, or done
  1  something was rejected, is in review or has to be retaken
  2  the command line is wrong
  3  the work could not be done: a file is missing, unreadable or wrong`

const rootExample = `  inspect measure --part tern.yaml --scope bench1.yaml --view die-plan lot42/*.png
  inspect watch inbox --station station.yaml --store line.db
  inspect chart lot42.jsonl -o lot42.svg
  inspect drift lot42.jsonl -o drift.svg
  inspect correct lot42.jsonl --part tern.yaml -o correct.svg
  inspect signal list --store line.db
  inspect report lot42.jsonl -o lot42.html --overlays lot42-overlays
  inspect part check examples/parts/tern.yaml
  inspect part show examples/parts/tern.yaml -o tern.svg`

func newRootCmd() *cobra.Command {
	root := &cobra.Command{
		Use:           "inspect",
		Short:         "Measure die placement and column attach in microscope pictures",
		Long:          rootLong,
		Example:       rootExample,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          subcommandOnly,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetVersionTemplate("inspect {{.Version}}\n")
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(
		newMeasureCmd(),
		newWatchCmd(),
		newStoreCmd(),
		newPartCmd(),
		newChartCmd(),
		newDriftCmd(),
		newCorrectCmd(),
		newSitesCmd(),
		newPlanCmd(),
		newSignalCmd(),
		newEventCmd(),
		newPhaseCmd(),
		newReviewCmd(),
		newLotCmd(),
		newCheckCmd(),
		newChangesCmd(),
		newReportCmd(),
		newRenderCmd(),
		newWorkerCmd(),
	)
	return root
}
