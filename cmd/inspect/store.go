package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
)

const storeLong = `Looks after a store: the file, or the PostgreSQL database, in which inspect watch and
inspect measure --store keep their readings and people their decisions.

--store is an SQLite file, made when it isn't there yet, or postgres://USER@HOST/DATABASE where
several machines share one. docs/store.md describes what is in it.`

const storeExample = `  inspect store show --store line.db
  inspect store backup --store line.db /backups
  inspect store check --store line.db
  inspect store tidy --store line.db
  inspect store export --store line.db --part tern --since 2031-03-01 -o march.parquet
  inspect store import --store line.db readings.jsonl`

func newStoreCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "store",
		Short:   "Look after the store of readings: back up, check, export, import",
		Long:    storeLong,
		Example: storeExample,
		Args:    subcommandOnly,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newStoreShowCmd(), newStoreBackupCmd(), newStoreCheckCmd(), newStoreTidyCmd(), newStoreExportCmd(), newStoreImportCmd(), newStoreFileCmd())
	return cmd
}

// storeFlag adds --store.
func storeFlag(cmd *cobra.Command, at *string) {
	cmd.Flags().StringVar(at, "store", "", "the store: an SQLite file, or postgres://USER@HOST/DATABASE (needed)")
}

// withStore opens a store that must be there, and closes it after do.
func withStore(ctx context.Context, at string, do func(*store.Store) error) error {
	if at == "" {
		return usagef("which store? Give --store FILE")
	}
	if !store.IsPostgres(at) {
		switch info, err := os.Stat(at); {
		case errors.Is(err, os.ErrNotExist):
			return fmt.Errorf("store %s: there is no such file; inspect measure --store and inspect watch make one", at)
		case err == nil && info.Mode().IsRegular() && info.Size() == 0:
			return fmt.Errorf("store %s: %w: it is empty", at, store.ErrDamaged)
		}
	}
	s, err := store.Open(ctx, at)
	if err != nil {
		return err
	}
	return errors.Join(do(s), s.Close())
}

func newStoreShowCmd() *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "show --store AT",
		Short:   "Say what is in a store",
		Example: "  inspect store show --store line.db",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), at, func(s *store.Store) error {
				return showStore(cmd.Context(), cmd.OutOrStdout(), s, at, asJSON)
			})
		},
	}
	storeFlag(cmd, &at)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

// A storeGroup is how many shots of a part and a view a store has.
type storeGroup struct {
	Part   string       `json:"part"`
	View   reading.View `json:"view"`
	Shots  int          `json:"shots"`
	Accept int          `json:"accept"`
	Reject int          `json:"reject"`
	Review int          `json:"review"`
	Retake int          `json:"retake"`
	First  time.Time    `json:"first_taken_at"`
	Last   time.Time    `json:"last_taken_at"`
}

type storeVersion struct {
	Name   string    `json:"name"`
	SHA256 string    `json:"sha256"`
	Kept   bool      `json:"file_kept"`
	First  time.Time `json:"first_used_at"`
}

func showStore(ctx context.Context, out io.Writer, s *store.Store, at string, asJSON bool) error {
	var shown struct {
		Bytes  int64          `json:"bytes"`
		Shots  []storeGroup   `json:"shots"`
		Parts  []storeVersion `json:"parts"`
		Scopes []storeVersion `json:"scopes"`
	}
	groups, err := s.Groups(ctx, store.Query{})
	if err != nil {
		return err
	}
	for _, g := range groups {
		v := g.Verdicts
		shown.Shots = append(shown.Shots, storeGroup{g.Part, g.View, g.Shots, v[reading.Accept], v[reading.Reject], v[reading.Review], v[reading.Retake], g.First, g.Last})
	}
	for _, of := range []struct {
		list func(context.Context) ([]store.File, error)
		to   *[]storeVersion
	}{{s.Parts, &shown.Parts}, {s.Scopes, &shown.Scopes}} {
		files, err := of.list(ctx)
		if err != nil {
			return err
		}
		for _, f := range files {
			*of.to = append(*of.to, storeVersion{f.Name, f.SHA256, f.Text != nil, f.First})
		}
	}
	if shown.Bytes, err = s.Size(ctx); err != nil {
		return err
	}
	if asJSON {
		return json.NewEncoder(out).Encode(shown)
	}
	w := newColumns(out)
	fmt.Fprintln(w, "part\tview\tshots\taccept\treject\treview\tretake\tfrom\tto")
	for _, g := range shown.Shots {
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%d\t%d\t%d\t%s\t%s\n", g.Part, g.View, g.Shots, g.Accept, g.Reject, g.Review, g.Retake, g.First.Format(time.DateOnly), g.Last.Format(time.DateOnly))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, v := range []struct {
		kind string
		list []storeVersion
	}{{"part", shown.Parts}, {"scope", shown.Scopes}} {
		for _, f := range v.list {
			kept := ""
			if !f.Kept {
				kept = ", its file was never kept"
			}
			fmt.Fprintf(out, "%s %s, version %s, first used %s%s\n", v.kind, f.Name, f.SHA256[:min(12, len(f.SHA256))], f.First.Format(time.DateOnly), kept)
		}
	}
	_, err = fmt.Fprintf(out, "%s on the disk\n", bytesText(shown.Bytes))
	return err
}

// bytesText writes a number of bytes for people.
func bytesText(n int64) string {
	for _, u := range []struct {
		size float64
		name string
	}{{1e9, "GB"}, {1e6, "MB"}, {1e3, "kB"}} {
		if v := float64(n) / u.size; v >= 1 {
			return fmt.Sprintf("%.3g %s", v, u.name)
		}
	}
	return fmt.Sprintf("%d bytes", n)
}

func newStoreBackupCmd() *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "backup --store AT FILE|FOLDER",
		Short: "Copy a store while others use it",
		Long: `Copies a store as it is at this instant, while inspect watch goes on recording. The copy has
its name only once it is whole, looked through and on the disk; a folder is given a file named by
the time. Copies are never overwritten.

A copy of an SQLite store is a store: to go back to it, put it in the store's place. Of a
PostgreSQL store pg_dump, which must be installed, makes an archive: pg_restore --dbname=… FILE.`,
		Example: `  inspect store backup --store line.db /backups
  0 5 * * *  inspect store backup --store /var/lib/plumbsquare/line.db /backups    # in a crontab`,
		Args: usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, err := os.Stat(args[0]); errors.Is(err, os.ErrNotExist) && filepath.Ext(args[0]) == "" {
				return fmt.Errorf("%s: there is no such folder; make it first, or name a file with an ending such as .db", args[0])
			}
			if _, err := os.Stat(filepath.Dir(args[0])); errors.Is(err, os.ErrNotExist) {
				return noFolder(args[0], err)
			}
			return withStore(cmd.Context(), at, func(s *store.Store) error {
				file, err := s.Backup(cmd.Context(), args[0], time.Now())
				if err != nil {
					return err
				}
				info, err := os.Stat(file)
				if err != nil {
					return err
				}
				if asJSON {
					return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"file": file, "bytes": info.Size()})
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s, %s\n", file, bytesText(info.Size()))
				return err
			})
		},
	}
	storeFlag(cmd, &at)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the file's name and size as JSON")
	return cmd
}

func newStoreCheckCmd() *cobra.Command {
	var at string
	var asJSON, quick bool
	cmd := &cobra.Command{
		Use:   "check --store AT",
		Short: "Look for damage in a store",
		Long: `Looks for damage in a store: that the database is sound, that every shot has its readings, that
each reading is bit for bit what was recorded and the numbers beside its shot are its own, and that
part and scope files are the versions they are kept as. Others may use the store meanwhile.

It ends with status 1 when something was found; then keep the store as it is and go on with a backup.`,
		Example: "  inspect store check --store line.db",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			err := withStore(cmd.Context(), at, func(s *store.Store) error {
				return checkStore(cmd, s, quick, asJSON)
			})
			if errors.Is(err, store.ErrDamaged) { // it can't even be opened
				return writeChecked(cmd.OutOrStdout(), []string{store.Damage(err)}, 0, quick, asJSON)
			}
			return err
		},
	}
	storeFlag(cmd, &at)
	cmd.Flags().BoolVar(&quick, "quick", false, "don't look into every reading")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print what was found as JSON")
	return cmd
}

func checkStore(cmd *cobra.Command, s *store.Store, quick, asJSON bool) error {
	bar := newProgress(cmd.ErrOrStderr(), 0)
	looked := 0
	problems, err := s.Check(cmd.Context(), store.CheckOptions{Quick: quick, Progress: func(done, total int) {
		looked, bar.total = done, total
		bar.step()
	}})
	bar.end()
	if err != nil {
		return err
	}
	return writeChecked(cmd.OutOrStdout(), problems, looked, quick, asJSON)
}

// writeChecked prints what a check has found.
func writeChecked(out io.Writer, problems []string, looked int, quick, asJSON bool) error {
	if asJSON {
		if err := json.NewEncoder(out).Encode(map[string]any{"problems": append([]string{}, problems...), "readings": looked}); err != nil {
			return err
		}
	} else {
		for _, p := range problems {
			fmt.Fprintln(out, p)
		}
		switch {
		case len(problems) > 0:
			fmt.Fprintf(out, "%s found: keep this store as it is, and go on with a backup\n", count(len(problems), "problem", "problems"))
		case quick:
			fmt.Fprintln(out, "sound, as far as a quick look tells")
		default:
			fmt.Fprintf(out, "sound: each of %d readings is what was recorded\n", looked)
		}
	}
	if len(problems) > 0 {
		return errNotAccepted
	}
	return nil
}

func newStoreTidyCmd() *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "tidy --store AT",
		Short: "Make charts of years quick the first time",
		Long: `Sums up the days on which something was recorded, and has the database look at its data so that
it finds the shortest way to an answer. Nothing is lost without it; at night it disturbs nobody.`,
		Example: "  0 4 * * *  inspect store tidy --store /var/lib/plumbsquare/line.db    # in a crontab",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), at, func(s *store.Store) error {
				days, err := s.Tidy(cmd.Context())
				if err != nil {
					return err
				}
				size, err := s.Size(cmd.Context())
				if err != nil {
					return err
				}
				if asJSON {
					return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]int64{"days_summed": int64(days), "bytes": size})
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s summed up, %s on the disk\n", count(days, "day", "days"), bytesText(size))
				return err
			})
		},
	}
	storeFlag(cmd, &at)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print what was done as JSON")
	return cmd
}

func newStoreFileCmd() *cobra.Command {
	var at string
	cmd := &cobra.Command{
		Use:   "file --store AT VERSION",
		Short: "Print a part or scope file as it was when a reading was made",
		Long: `Prints a version of a part or scope file, to the byte as it was when readings were made with it.
VERSION is its SHA-256, as readings name it (part_sha256, scope_sha256), or how it begins.`,
		Example: "  inspect store file --store line.db 82daa54dbabb > tern-of-march.yaml",
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), at, func(s *store.Store) error {
				text, err := s.FileOf(cmd.Context(), args[0])
				if err != nil {
					return err
				}
				_, err = cmd.OutOrStdout().Write(text)
				return err
			})
		},
	}
	storeFlag(cmd, &at)
	return cmd
}
