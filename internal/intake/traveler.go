package intake

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"plumbsquare/internal/reading"
)

// TravelerName is the file that brings a folder's particulars.
const TravelerName = "traveler.csv"

// maxTravelerBytes is far above any lot's traveler and far below the machine's memory.
const maxTravelerBytes = 64 << 20

// A traveler is a folder's traveler.csv.
type traveler struct {
	file string
	rows []row
	of   map[string]int   // path of a picture to its row
	bad  map[string]error // path of a picture to what is wrong with its row
}

// A row is what a traveler says of one picture.
type row struct {
	line int
	path string
	Particulars
}

// readTraveler reads the traveler of a folder; none is no error.
func readTraveler(dir string) (*traveler, []error) {
	file := filepath.Join(dir, TravelerName)
	empty := &traveler{file: file}
	info, err := os.Stat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return empty, nil
	case err != nil:
		return empty, []error{err}
	case info.Size() > maxTravelerBytes:
		return empty, []error{fmt.Errorf("%s: %d MB are no traveler; split the lot", file, info.Size()>>20)}
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return empty, []error{err}
	}
	return parseTraveler(file, b)
}

// parseTraveler reads a traveler row by row, one a line: comma, semicolon or tab between the
// columns, as a spreadsheet program saves them. The first line names the columns; unknown ones
// are passed over. A bad row is an error that names its line, and the others count.
func parseTraveler(file string, b []byte) (*traveler, []error) {
	t := &traveler{file: file, of: map[string]int{}, bad: map[string]error{}}
	var errs []error
	wrong := func(line int, format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s:%d: %s", file, line, fmt.Sprintf(format, args...)))
	}
	if bytes.HasPrefix(b, []byte("\xff\xfe")) || bytes.HasPrefix(b, []byte("\xfe\xff")) {
		wrong(1, "the file is in UTF-16; save it as CSV in UTF-8")
		return t, errs
	}
	b = bytes.TrimPrefix(b, []byte("\ufeff"))
	var columns map[string]int
	var comma rune
	n := 0
	for line := range bytes.Lines(b) {
		n++
		text := strings.TrimRight(string(line), "\r\n")
		switch {
		case strings.TrimSpace(text) == "":
			continue
		case !utf8.ValidString(text):
			wrong(n, "there are letters that are not UTF-8; save the file as CSV in UTF-8")
			continue
		}
		if columns == nil {
			comma = separator(text)
		}
		cells, err := cellsOf(text, comma)
		if err != nil {
			wrong(n, "%v", err)
			if columns == nil {
				return t, errs // without its columns nothing can be read
			}
			continue
		}
		if columns == nil {
			if columns, err = columnsOf(cells); err != nil {
				wrong(n, "%v", err)
				return t, errs
			}
			continue
		}
		r, err := rowOf(columns, cells)
		r.line = n
		folder := filepath.Dir(file)
		if r.path != "" && !filepath.IsAbs(r.path) {
			r.path = filepath.Join(folder, r.path)
		}
		if err != nil {
			wrong(n, "%v", err)
			if r.path != "" {
				t.bad[r.path] = errs[len(errs)-1]
			}
			continue
		}
		r.Part, r.Scope = under(folder, r.Part), under(folder, r.Scope)
		if first, ok := t.of[r.path]; ok {
			wrong(n, "picture %s has a row already, line %d; that one counts", r.path, t.rows[first].line)
			continue
		}
		t.of[r.path] = len(t.rows)
		t.rows = append(t.rows, r)
	}
	return t, errs
}

// separator guesses what parts the columns from the line that names them.
func separator(header string) rune {
	for _, c := range ",;\t" {
		if strings.ContainsRune(header, c) {
			return c
		}
	}
	return ','
}

func cellsOf(line string, comma rune) ([]string, error) {
	r := csv.NewReader(strings.NewReader(line))
	r.Comma = comma
	r.FieldsPerRecord = -1
	cells, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the row is empty")
	}
	if e := new(csv.ParseError); errors.As(err, &e) {
		return nil, fmt.Errorf(`a quote (") does not pair up, at column %d of the line`, e.Column)
	}
	return cells, err
}

// columnsOf maps the names of the columns to their places.
func columnsOf(header []string) (map[string]int, error) {
	columns := map[string]int{}
	for i, name := range header {
		name = strings.ToLower(strings.TrimSpace(name))
		if _, ok := columns[name]; ok && name != "" {
			return nil, fmt.Errorf("two columns are named %q", name)
		}
		columns[name] = i
	}
	if _, ok := columns["image"]; !ok {
		return nil, fmt.Errorf(`no column is named "image"; the first line names the columns and here it is %q`, header)
	}
	return columns, nil
}

func rowOf(columns map[string]int, cells []string) (row, error) {
	if len(cells) > len(columns) {
		return row{}, fmt.Errorf("the row has %d columns, the first line names %d", len(cells), len(columns))
	}
	cell := func(name string) string {
		if i, ok := columns[name]; ok && i < len(cells) {
			return strings.TrimSpace(cells[i])
		}
		return ""
	}
	r := row{
		path: filepath.FromSlash(strings.ReplaceAll(cell("image"), `\`, "/")),
		Particulars: Particulars{
			Part: cell("part"), Scope: cell("scope"),
			Shot: reading.Shot{
				Lot: cell("lot"), Sample: cell("sample"), Head: cell("head"), Nozzle: cell("nozzle"),
				PickPosition: cell("pick_position"), Operator: cell("operator"), TakenAt: cell("taken_at"),
			},
		},
	}
	if r.path == "" {
		return row{}, errors.New("the column image is empty")
	}
	r.path = filepath.Clean(r.path)
	v, err := ParseView(cell("view"))
	r.View = v
	if err != nil {
		return r, err
	}
	if r.Focus, err = parseFocus(cell("focus")); err != nil {
		return r, err
	}
	err = r.place(cell("turn_deg"), cell("stage_x_mm"), cell("stage_y_mm"))
	return r, err
}

// parseFocus returns the focus of that name. An empty name is an empty focus.
func parseFocus(name string) (reading.Focus, error) {
	switch f := reading.Focus(strings.ToLower(name)); f {
	case "", reading.Tip, reading.Base:
		return f, nil
	}
	return "", fmt.Errorf("focus is %q; want tip or base, the end of the columns that the lens was focused on", name)
}

// place reads how and where the sample lay under the scope. Empty texts say nothing.
func (p *Particulars) place(turnDeg, stageXMm, stageYMm string) error {
	if turnDeg != "" {
		v, err := number("turn_deg", turnDeg)
		if err != nil {
			return err
		}
		if !slices.Contains(turns[:], v) {
			return fmt.Errorf("turn_deg is %q; want 0, 90, 180 or 270, counter-clockwise as seen in the picture", turnDeg)
		}
		p.TurnDeg = v
	}
	switch {
	case stageXMm == "" && stageYMm == "":
		return nil
	case stageXMm == "" || stageYMm == "":
		return errors.New("of stage_x_mm and stage_y_mm one is empty; give both or none")
	}
	x, errX := number("stage_x_mm", stageXMm)
	y, errY := number("stage_y_mm", stageYMm)
	p.Stage = &reading.Stage{XMm: x, YMm: y}
	return cmp.Or(errX, errY)
}

// turns are the ways round that a fixture takes a sample.
var turns = [...]float64{0, 90, 180, 270}

// mostMm is farther than any stage goes.
const mostMm = 2000

func number(name, text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !(math.Abs(v) <= mostMm) {
		return 0, fmt.Errorf("%s is %q; want a number such as 12.345", name, text)
	}
	return v, nil
}

// ParseView returns the view of that name, or an error that lists the views. An empty name is
// an empty view.
func ParseView(name string) (reading.View, error) {
	if name == "" {
		return "", nil
	}
	var known []string
	for _, v := range reading.Views {
		if strings.EqualFold(name, string(v)) {
			return v, nil
		}
		known = append(known, string(v))
	}
	return "", fmt.Errorf("no view is named %q; there are %s", name, strings.Join(known, ", "))
}
