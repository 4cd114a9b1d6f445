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
	post, err := o.mail.server()
	if err != nil {
		return nil, err
	}
	dir := o.reportsFolder(inbox)
	var send func() error // a report that is written and not sent yet
	n.Write = func(ctx context.Context, day string, since, until time.Time) error {
		page := filepath.Join(dir, day+".html")
		if _, err := os.Stat(page); !errors.Is(err, fs.ErrNotExist) {
			if err == nil && send != nil {
				return send()
			}
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
		files := []string{page, filepath.Join(dir, day+".pdf")}
		r, err := writeStoreReport(ctx, st, store.Query{Line: o.line, Since: since, Until: until}, options, files)
		if err != nil {
			return err
		}
		if _, err := st.Tidy(ctx); err != nil { // the charts of years stay quick
			return err
		}
		if post == nil {
			return nil
		}
		send = func() error { // again and again, until the server takes it or the next report is due
			err := o.mail.send(ctx, *post, r.Outcome(), files, until)
			if err == nil {
				send = nil
			}
			return err
		}
		return send()
	}
	return n, nil
}
