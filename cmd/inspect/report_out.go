package main

import (
	"context"
	"errors"
	"io"
	"iter"
	"path/filepath"
	"strings"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/store"
)

// reportEndings are those of the files that a report can be written to.
var reportEndings = []string{".html", ".pdf", ".csv"}

// checkReportNames refuses names that don't say what to write.
func checkReportNames(names []string) error {
	if len(names) == 0 {
		return usagef("where to? Give -o FILE.html, -o FILE.pdf or both")
	}
	for _, name := range names {
		switch reportForm(name) {
		case ".html", ".pdf", ".csv":
		default:
			return usagef("-o %s: a report's name must end in %s", name, strings.Join(reportEndings, ", "))
		}
	}
	return nil
}

func reportForm(name string) string { return strings.ToLower(filepath.Ext(name)) }

// writeReport writes the report of readings to files, each in the form that its name asks for: all
// of them or, when something fails, none.
func writeReport(readings iter.Seq2[*reading.Reading, error], o report.Options, names []string) (*report.Report, error) {
	return writeReportOf(func(o report.Options) (*report.Report, error) { return report.New(readings, o) }, o, names)
}

// writeStoreReport writes the report of what a query chooses from the store likewise, with all that
// the store knows besides.
func writeStoreReport(ctx context.Context, st *store.Store, q store.Query, o report.Options, names []string) (*report.Report, error) {
	return writeReportOf(func(o report.Options) (*report.Report, error) { return report.FromStore(ctx, st, q, o) }, o, names)
}

func writeReportOf(build func(report.Options) (*report.Report, error), o report.Options, names []string) (*report.Report, error) {
	var files []*outFile
	var tables []io.Writer
	fail := func(err error) (*report.Report, error) {
		for _, f := range files {
			err = errors.Join(err, f.discard())
		}
		return nil, err
	}
	for _, name := range names {
		f, err := createOut(name)
		if err != nil {
			return fail(err)
		}
		files = append(files, f)
		if reportForm(name) == ".csv" {
			tables = append(tables, f)
		}
	}
	if tables != nil {
		o.Table = io.MultiWriter(tables...)
	}
	r, err := build(o)
	if err != nil {
		return fail(err)
	}
	for _, f := range files {
		switch reportForm(f.name) {
		case ".html":
			err = r.HTML(f)
		case ".pdf":
			err = r.PDF(f)
		}
		if err != nil {
			return fail(err)
		}
	}
	for _, f := range files {
		err = errors.Join(err, f.close())
	}
	return r, err
}
