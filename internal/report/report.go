package report

import (
	"bufio"
	_ "embed"
	"errors"
	"html/template"
	"io"
	"io/fs"
	"iter"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// Options refine a report. The zero value works.
type Options struct {
	Title    string
	Overlays fs.FS // folder of overlays, as inspect measure --overlay writes it; nil shows none
	// Parts holds part files by the name of the part, for limits on the charts and capability.
	Parts   map[string]*part.Part
	Written time.Time // when the report is made; the zero time isn't shown
	Program string    // version of the program that makes it
}

//go:embed page.html
var pageText string

// page is parsed once and never changes.
var page = template.Must(template.New("page").Parse(pageText))

// Write writes the report of readings. The same readings and options give the same bytes. It
// returns an error when a reading can't be read, there is none, or writing fails.
func Write(w io.Writer, readings iter.Seq2[*reading.Reading, error], o Options) error {
	d, err := read(readings)
	if err != nil {
		return err
	}
	if len(d.readings) == 0 {
		return errors.New("there is no reading to report")
	}
	content, err := d.content(o)
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, 1<<16)
	if err := page.Execute(out, content); err != nil {
		return err
	}
	return out.Flush()
}
