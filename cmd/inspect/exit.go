package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"plumbsquare/internal/intake"
)

// Exit statuses, the same for every command.
const (
	exitDone        = 0 // all accepted, or done
	exitNotAccepted = 1 // something rejected, in review or to be retaken
	exitUsage       = 2 // the command line is wrong
	exitFailed      = 3 // the work could not be done
)

// errNotAccepted ends a command that has said on its own what was not accepted: status 1, no
// further message.
var errNotAccepted = errors.New("not everything was accepted")

// errReported ends a command that has printed its errors itself: status 3, no further message.
var errReported = errors.New("the work could not all be done")

// A usageError is a wrong command line.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// usagef returns a usageError.
func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// inWords joins the words that a flag takes, for its errors.
func inWords[T ~string](words []T) string {
	var b strings.Builder
	for i, w := range words {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(w))
	}
	return b.String()
}

// exitStatus reports err on w where that is still to be done and returns the status of the
// command that gave it.
func exitStatus(cmd *cobra.Command, err error, w io.Writer) int {
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errNotAccepted):
		return exitNotAccepted
	case errors.Is(err, errReported):
		return exitFailed
	case errors.As(err, &usage):
		fmt.Fprintf(w, "inspect: %v\nrun '%s --help' for what it takes\n", err, cmd.CommandPath())
		return exitUsage
	}
	fmt.Fprintf(w, "inspect: %s\n", plainly(err))
	return exitFailed
}

// usageArgs makes a wrong number of arguments a usageError.
func usageArgs(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if check(cmd, args) == nil {
			return nil
		}
		want := cmd.Use
		if cmd.HasParent() {
			want = cmd.Parent().CommandPath() + " " + want
		}
		switch len(args) {
		case 0:
			return usagef("want %s; there is no word after the command", want)
		case 1:
			return usagef("want %s; got %q", want, args[0])
		}
		return usagef("want %s; got %d words, %q", want, len(args), args)
	}
}

// plainly writes an error in words that aren't the system's: of files that aren't there or can't be
// used.
func plainly(err error) string {
	text := err.Error()
	p, ok := errors.AsType[*fs.PathError](err)
	if !ok {
		return text
	}
	words := p.Err.Error()
	switch {
	case errors.Is(p, fs.ErrNotExist):
		words = "no such file or folder"
	case errors.Is(p, fs.ErrPermission):
		words = "this program has no permission for that"
	case errors.Is(p, syscall.EISDIR):
		words = "that is a folder; name a file"
	case errors.Is(p, syscall.ENOTDIR):
		words = "that is a file, or lies in one; name a folder"
	}
	name := intake.Printable(strings.TrimSuffix(p.Path, partialSuffix))
	before, after, _ := strings.Cut(text, p.Error())
	if strings.Contains(before, name) {
		return before + words + after
	}
	return before + name + ": " + words + after
}

// subcommandOnly refuses a word that is no command and names the nearest ones.
func subcommandOnly(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if cmd.SuggestionsMinimumDistance <= 0 {
		cmd.SuggestionsMinimumDistance = 2
	}
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		return usagef("%s has no command %q; did you mean %s?", cmd.CommandPath(), args[0], strings.Join(near, " or "))
	}
	return usagef("%s has no command %q", cmd.CommandPath(), args[0])
}
