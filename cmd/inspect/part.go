package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/drawing"
	"plumbsquare/internal/part"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/station"
	"plumbsquare/internal/strictyaml"
)

func newPartCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "part",
		Short: "Check, start or draw part files",
		Long: `A part file is the drawing of one package type and what samples are judged by.
Start one, fill it in, check it, and look at it before you measure with it.`,
		Example: `  inspect part new tern -o tern.yaml
  inspect part check tern.yaml
  inspect part show tern.yaml -o tern.svg`,
		Args: subcommandOnly,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newPartCheckCmd(), newPartNewCmd(), newPartShowCmd(), newPartSchemaCmd())
	return cmd
}

func newPartCheckCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check [flags] FILE...",
		Short: "Say what is wrong in part files",
		Long: `Check reads part files and says all that is wrong in each: file, line, column, key, what
was expected, what came, and the nearest key that is known.

It ends with status 0 when every file is right and 3 when one is not.`,
		Example: `  inspect part check examples/parts/tern.yaml
  inspect part check --json parts/*.yaml`,
		Args: usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runPartCheck(cmd.OutOrStdout(), cmd.ErrOrStderr(), asJSON, args)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a file")
	return cmd
}

// A partCheck is the JSON form of what check finds in one file.
type partCheck struct {
	File     string               `json:"file"`
	OK       bool                 `json:"ok"`
	Part     string               `json:"part,omitempty"`
	SHA256   string               `json:"sha256,omitempty"`
	Sites    int                  `json:"sites,omitempty"`
	Problems []strictyaml.Problem `json:"problems,omitempty"`
	Error    string               `json:"error,omitempty"` // when the file could not be read at all
}

func runPartCheck(stdout, stderr io.Writer, asJSON bool, files []string) error {
	var result error
	enc := json.NewEncoder(stdout)
	for _, file := range files {
		check, p, err := checkPart(file)
		if err != nil {
			result = errReported
		}
		switch {
		case asJSON:
			if err := enc.Encode(check); err != nil {
				return err
			}
		case err != nil:
			fmt.Fprintln(stderr, plainly(err))
		default:
			fmt.Fprintf(stdout, "%s: ok, %s\n", file, summary(p, check.Sites))
		}
	}
	return result
}

// checkPart reads one file; the error is also in the partCheck.
func checkPart(file string) (partCheck, *part.Part, error) {
	p, err := loadPart(file)
	if err != nil {
		check := partCheck{File: file}
		if wrong, ok := errors.AsType[*strictyaml.Error](err); ok {
			check.Problems = wrong.Problems
		} else {
			check.Error = plainly(err)
		}
		return check, nil, err
	}
	check := partCheck{File: file, OK: true, Part: p.Name, SHA256: p.Hash}
	if p.Array != nil {
		sites, err := p.Array.Sites()
		if err != nil {
			return check, nil, err
		}
		check.Sites = len(sites)
	}
	return check, p, nil
}

// loadPart reads a part file from disk.
func loadPart(file string) (*part.Part, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return part.Load(data, file)
}

// summary says what a part has: "part tern: 4 marks, die 10 × 8.4 mm, …".
func summary(p *part.Part, sites int) string {
	var has []string
	if p.Marks != nil {
		has = append(has, fmt.Sprintf("%d marks", len(p.Marks.At)))
	}
	if p.Die != nil {
		has = append(has, fmt.Sprintf("die %g × %g mm", p.Die.WidthMm, p.Die.HeightMm))
	}
	if p.Cap != nil {
		has = append(has, fmt.Sprintf("cap %g × %g mm", p.Cap.WidthMm, p.Cap.HeightMm))
	}
	if p.Array != nil {
		has = append(has, fmt.Sprintf("%d %s", sites, p.Array.Kind))
	}
	return fmt.Sprintf("part %s: %s", p.Name, strings.Join(has, ", "))
}

func newPartNewCmd() *cobra.Command {
	var output string
	cmd := &cobra.Command{
		Use:   "new [flags] NAME",
		Short: "Start a part file",
		Long: `New writes a part file with every key and what it means, filled with sizes of an invented
part. Change them to those of your drawing and delete what your part does not have.
A file that is there already is never overwritten.`,
		Example: `  inspect part new tern -o parts/tern.yaml`,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := part.Starter(args[0])
			if err != nil {
				return usageError{err}
			}
			return writeNew(cmd.OutOrStdout(), output, text)
		},
	}
	cmd.Flags().StringVarP(&output, "output", "o", "", "file to write instead of standard output")
	return cmd
}

func newPartShowCmd() *cobra.Command {
	var output string
	var force bool
	cmd := &cobra.Command{
		Use:   "show [flags] FILE",
		Short: "Draw a part as SVG",
		Long: `Show draws what a part file says, to scale: substrate, marks, die, bumps and cap on one side,
the array with the name of every site on the other. Open the SVG in a browser; zoom in to
read the names, or point at a thing to see its name and place.`,
		Example: `  inspect part show examples/parts/tern.yaml -o tern.svg`,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			p, err := loadPart(args[0])
			if err != nil {
				return err
			}
			svg, err := drawing.SVG(p)
			if err != nil {
				return err
			}
			if force {
				return os.WriteFile(output, svg, 0o666)
			}
			return writeNew(cmd.OutOrStdout(), output, svg)
		},
		PreRunE: func(*cobra.Command, []string) error {
			if force && output == "" {
				return usagef("--force is for a file given with -o")
			}
			return nil
		},
	}
	cmd.Flags().StringVarP(&output, "output", "o", "", "file to write instead of standard output")
	cmd.Flags().BoolVar(&force, "force", false, "overwrite the file if it is there")
	return cmd
}

func newPartSchemaCmd() *cobra.Command {
	schemas := map[string]string{"part": part.SchemaJSON, "scope": scope.SchemaJSON, "station": station.SchemaJSON}
	var names []string
	for name := range schemas {
		names = append(names, name)
	}
	sort.Strings(names)
	return &cobra.Command{
		Use:   "schema [" + strings.Join(names, "|") + "]",
		Short: "Print the JSON Schema of part, scope or station files",
		Long: `Schema prints the JSON Schema that files are held to, part files when nothing else is asked
for. Editors that know YAML complete and check keys with it; many take it from a first line
as in the example.`,
		Example: `  inspect part schema > part.schema.json
  # yaml-language-server: $schema=part.schema.json`,
		Args:      usageArgs(cobra.MatchAll(cobra.MaximumNArgs(1), cobra.OnlyValidArgs)),
		ValidArgs: names,
		RunE: func(cmd *cobra.Command, args []string) error {
			name := "part"
			if len(args) > 0 {
				name = args[0]
			}
			_, err := io.WriteString(cmd.OutOrStdout(), schemas[name])
			return err
		},
	}
}

// writeNew writes data to a file that must not exist yet, or to stdout when there is no name.
func writeNew(stdout io.Writer, file string, data []byte) error {
	if file == "" {
		_, err := stdout.Write(data)
		return err
	}
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already and is not overwritten; choose another name or move it away", file)
	}
	if err != nil {
		return noFolder(file, err)
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}
