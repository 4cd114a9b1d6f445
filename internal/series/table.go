// Package series takes numbers for control charts out of tables: columns chosen by name from CSV
// files and readings, put in order of time, grouped, and handed to spc. It says file, line and
// column of whatever can't be used, and counts what it leaves out.
package series

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/strictyaml"
)

// A Table is named columns of text.
type Table struct {
	File    string // for messages
	Columns []string
	rows    [][]string
	lines   []int // line of the file that each row begins in

	Retakes int // rows left out because their verdict is retake
}

// Len returns the number of rows.
func (t *Table) Len() int { return len(t.rows) }

// verdictColumn is the column of readings whose retakes are left out.
const verdictColumn = "verdict"

// ReadCSV reads a table whose first row names the columns. Commas, semicolons and tabs part
// columns, whichever the first row has most of. Rows whose column "verdict" says retake are left
// out and counted. file is the name for messages.
func ReadCSV(r io.Reader, file string) (*Table, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if first, _, _ := bytes.Cut(data, []byte("\n")); bytes.IndexByte(data, 0) >= 0 || !utf8.Valid(first) {
		return nil, fmt.Errorf("%s: not a table, it holds bytes that are no text; save it as CSV in UTF-8", file)
	}
	in := csv.NewReader(bytes.NewReader(data))
	in.Comma = separator(data)
	in.TrimLeadingSpace = in.Comma != '\t'
	t := &Table{File: file}
	for {
		row, err := in.Read()
		switch {
		case errors.Is(err, io.EOF):
			if t.Columns == nil {
				return nil, fmt.Errorf("%s: the file is empty; want a first row with the names of columns", file)
			}
			return t, nil
		case err != nil:
			if p, ok := errors.AsType[*csv.ParseError](err); ok {
				if errors.Is(p.Err, csv.ErrFieldCount) {
					return nil, fmt.Errorf("%s:%d: the row has %d of the %d columns that the first row names", file, p.Line, len(row), len(t.Columns))
				}
				return nil, fmt.Errorf("%s:%d:%d: %w", file, p.Line, p.Column, p.Err)
			}
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		if t.Columns == nil {
			if err := t.name(row); err != nil {
				return nil, err
			}
			continue
		}
		line, _ := in.FieldPos(0)
		t.add(row, line)
	}
}

// separator guesses what parts the columns from the first line.
func separator(data []byte) rune {
	first, _, _ := bytes.Cut(data, []byte("\n"))
	best := ','
	for _, c := range []rune{';', '\t'} {
		if bytes.Count(first, []byte(string(c))) > bytes.Count(first, []byte(string(best))) {
			best = c
		}
	}
	return best
}

func (t *Table) name(row []string) error {
	for i, name := range row {
		name = strings.TrimSpace(name)
		if name != "" && slices.Contains(t.Columns, name) {
			return fmt.Errorf("%s:1: two columns are called %q", t.File, name)
		}
		if v, err := strconv.ParseFloat(name, 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
			return fmt.Errorf("%s:1: want the names of columns in the first row, got the number %s in column %d", t.File, name, i+1)
		}
		t.Columns = append(t.Columns, name)
	}
	return nil
}

func (t *Table) add(row []string, line int) {
	if i := slices.Index(t.Columns, verdictColumn); i >= 0 && row[i] == string(reading.Retake) {
		t.Retakes++
		return
	}
	t.rows = append(t.rows, row)
	t.lines = append(t.lines, line)
}

// OfReadings makes a table of readings, with the columns of the table of shots that
// docs/readings.md describes. Retakes are left out and counted. file is the name for messages.
func OfReadings(readings iter.Seq2[*reading.Reading, error], file string) (*Table, error) {
	var b bytes.Buffer
	shots, err := reading.NewShotTable(&b)
	if err != nil {
		return nil, err
	}
	for r, err := range readings {
		if err != nil {
			return nil, err
		}
		if err := shots.Write(r); err != nil {
			return nil, err
		}
	}
	t, err := ReadCSV(&b, file)
	if err == nil {
		for i := range t.lines {
			t.lines[i]-- // JSON Lines have no first row of names
		}
	}
	return t, err
}

// column returns the position of a column, or an error that says which exist and which is nearest.
func (t *Table) column(name string) (int, error) {
	if i := slices.Index(t.Columns, name); i >= 0 && name != "" {
		return i, nil
	}
	near := ""
	if n := strictyaml.Nearest(name, t.Columns); n != "" {
		near = fmt.Sprintf("did you mean %s? ", n)
	}
	return 0, fmt.Errorf("%s: no column is called %q; %sthere are %s", t.File, name, near, strings.Join(t.Columns, ", "))
}

// Has reports whether there is a column of this name.
func (t *Table) Has(name string) bool { return slices.Contains(t.Columns, name) }

// Where keeps the rows whose column holds a value.
func (t *Table) Where(column, value string) error {
	c, err := t.column(column)
	if err != nil {
		return err
	}
	seen := t.distinct(c)
	t.keep(func(row []string) bool { return row[c] == value })
	if len(t.rows) == 0 {
		return fmt.Errorf("%s: no row has %s = %s; there are %s", t.File, column, value, list(seen))
	}
	return nil
}

// Within keeps the rows whose column holds a time from one on and before another; a zero time is no
// limit. Every row must hold a time.
func (t *Table) Within(column string, from, until time.Time) error {
	own := *t
	if err := own.Sort(column); err != nil { // says which row holds none
		return err
	}
	c, err := t.column(column)
	if err != nil {
		return err
	}
	t.keep(func(row []string) bool {
		at, _ := ParseTime(row[c])
		return !at.Before(from) && (until.IsZero() || at.Before(until))
	})
	if len(t.rows) == 0 {
		return fmt.Errorf("%s: no row has a time in column %s that was asked for", t.File, column)
	}
	return nil
}

// Filled keeps the rows whose columns aren't blank, and returns how many others there were.
func (t *Table) Filled(columns ...string) (leftOut int, err error) {
	before := len(t.rows)
	for _, name := range columns {
		c, err := t.column(name)
		if err != nil {
			return 0, err
		}
		t.keep(func(row []string) bool { return strings.TrimSpace(row[c]) != "" })
	}
	return before - len(t.rows), nil
}

func (t *Table) keep(wanted func(row []string) bool) {
	var rows [][]string
	var lines []int
	for i, row := range t.rows {
		if wanted(row) {
			rows, lines = append(rows, row), append(lines, t.lines[i])
		}
	}
	t.rows, t.lines = rows, lines
}

// Split parts a table by the values of a column, in order of their names.
func (t *Table) Split(column string) (levels []string, tables []*Table, err error) {
	c, err := t.column(column)
	if err != nil {
		return nil, nil, err
	}
	levels = t.distinct(c)
	slices.Sort(levels)
	for _, level := range levels {
		part := *t
		part.keep(func(row []string) bool { return row[c] == level })
		tables = append(tables, &part)
	}
	return levels, tables, nil
}

// Distinct returns the values of a column, blank ones too, in the order in which they first appear.
func (t *Table) Distinct(column string) ([]string, error) {
	c, err := t.column(column)
	if err != nil {
		return nil, err
	}
	return t.distinct(c), nil
}

func (t *Table) distinct(c int) (values []string) {
	seen := map[string]bool{}
	for _, row := range t.rows {
		if !seen[row[c]] {
			seen[row[c]] = true
			values = append(values, row[c])
		}
	}
	return values
}

// list joins the first of many words.
func list(words []string) string {
	const most = 8
	if len(words) > most {
		return strings.Join(words[:most], ", ") + fmt.Sprintf(" and %d more", len(words)-most)
	}
	return strings.Join(words, ", ")
}

// Text returns a column as it is.
func (t *Table) Text(column string) ([]string, error) {
	c, err := t.column(column)
	if err != nil {
		return nil, err
	}
	values := make([]string, len(t.rows))
	for i, row := range t.rows {
		values[i] = row[c]
	}
	return values, nil
}

// The squares of a million numbers of this size can still be summed; no quantity is as large.
const largest = 1e100

// Numbers returns a column of finite numbers, none of them beyond ±1e100.
func (t *Table) Numbers(column string) ([]float64, error) {
	c, err := t.column(column)
	if err != nil {
		return nil, err
	}
	values := make([]float64, len(t.rows))
	for i, row := range t.rows {
		text := strings.TrimSpace(row[c])
		v, err := strconv.ParseFloat(text, 64)
		switch {
		case text == "":
			return nil, fmt.Errorf("%s:%d: column %s: want a number, it is blank", t.File, t.lines[i], column)
		case err != nil:
			return nil, fmt.Errorf("%s:%d: column %s: want a number, got %q%s", t.File, t.lines[i], column, text, comma(text))
		case math.IsNaN(v) || math.IsInf(v, 0):
			return nil, fmt.Errorf("%s:%d: column %s: want a finite number, got %s", t.File, t.lines[i], column, text)
		case math.Abs(v) > largest:
			return nil, fmt.Errorf("%s:%d: column %s: want a number of at most %g, got %s", t.File, t.lines[i], column, largest, text)
		}
		values[i] = v
	}
	return values, nil
}

// comma helps whoever writes numbers with a decimal comma.
func comma(text string) string {
	point := strings.Replace(text, ",", ".", 1)
	if _, err := strconv.ParseFloat(point, 64); err != nil {
		return ""
	}
	return fmt.Sprintf("; did you mean %s?", point)
}

// timeForms are what a column of times may be written in; those without a zone are taken as UTC.
var timeForms = []string{time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02"}

// ParseTime reads a time as travelers write it: RFC 3339, or with parts of it left out.
func ParseTime(text string) (time.Time, bool) {
	for _, form := range timeForms {
		if at, err := time.Parse(form, strings.TrimSpace(text)); err == nil {
			return at, true
		}
	}
	return time.Time{}, false
}

// Sort puts the rows in the order of a column of times; those of one time keep theirs.
func (t *Table) Sort(column string) error {
	c, err := t.column(column)
	if err != nil {
		return err
	}
	times := make([]time.Time, len(t.rows))
	order := make([]int, len(t.rows))
	for i, row := range t.rows {
		at, ok := ParseTime(row[c])
		if !ok {
			return fmt.Errorf("%s:%d: column %s: want a time such as 2031-03-03T06:01:00Z or 2031-03-03 06:01, got %q", t.File, t.lines[i], column, row[c])
		}
		times[i], order[i] = at, i
	}
	slices.SortStableFunc(order, func(a, b int) int { return times[a].Compare(times[b]) })
	rows, lines := make([][]string, len(order)), make([]int, len(order))
	for i, from := range order {
		rows[i], lines[i] = t.rows[from], t.lines[from]
	}
	t.rows, t.lines = rows, lines
	return nil
}
