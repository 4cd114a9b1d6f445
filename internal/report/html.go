package report

import (
	"bufio"
	_ "embed"
	"html/template"
	"io"
)

//go:embed page.html
var pageText string

// page is parsed once and never changes.
var page = template.Must(template.New("page").Parse(pageText))

// HTML writes the report as one page that holds everything in itself. The same readings and options
// give the same bytes.
func (r *Report) HTML(w io.Writer) error {
	out := bufio.NewWriterSize(w, 1<<16)
	if err := page.Execute(out, r.content); err != nil {
		return err
	}
	return out.Flush()
}
