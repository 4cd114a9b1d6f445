package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/report"
	"plumbsquare/internal/store"
	"plumbsquare/internal/watch"
)

// nightly returns what writes the report of each night into a folder, named after its day. A report
// that is there already stays as it is.
func (o watchOptions) nightly(inbox string, st *store.Store) (*watch.Nightly, error) {
	n, err := watch.ParseNightly(o.reportAt)
	if err != nil {
		return nil, usageError{fmt.Errorf("--report-at: %w", err)}
	}
	dir := o.reportsFolder(inbox)
	n.Write = func(ctx context.Context, day string, since, until time.Time) error {
		page := filepath.Join(dir, day+".html")
		if _, err := os.Stat(page); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if err := os.MkdirAll(dir, 0o777); err != nil {
			return err
		}
		if _, err := updateSignals(ctx, st); err != nil {
			return err
		}
		options := report.Options{Title: "Report of " + day, Written: until, Program: version()}
		results := filepath.Join(inbox, intake.ResultsFolder)
		if info, err := os.Stat(results); err == nil && info.IsDir() {
			options.Overlays = os.DirFS(results)
		}
		_, err := writeStoreReport(ctx, st, store.Query{Line: o.line, Since: since, Until: until}, options, []string{page, filepath.Join(dir, day+".pdf")})
		return err
	}
	return n, nil
}
