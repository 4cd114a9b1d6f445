package part

import (
	"fmt"
	"strconv"
	"strings"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/strictyaml"
)

// rowLetters are the letters that name rows: I, O, Q, S, X and Z are left out because they
// are easily misread. Source: IPC-7351B section 14.2.5 as quoted on IPC's mailing list,
// 5 November 2020; JEDEC publication 95 holds the same rule (from memory).
const rowLetters = "ABCDEFGHJKLMNPRTUVWY"

// A Site is one place of an array that the part has.
type Site struct {
	Name   string            // JEDEC: row letters and column number, "A1"
	Row    int               // from 1 at the top
	Column int               // from 1 at the left
	At     geom.DrawingPoint // as drawn
}

// SiteName returns the JEDEC name of the site in a row and column, both from 1: A1 is at the
// top left; after row Y follow AA, AB … AY, BA …
func SiteName(row, column int) string {
	var letters []byte
	for n := row; n > 0; n = (n - 1) / len(rowLetters) {
		letters = append([]byte{rowLetters[(n-1)%len(rowLetters)]}, letters...)
	}
	return string(letters) + strconv.Itoa(column)
}

// ParseSite returns the row and column, both from 1, of a site's name.
func ParseSite(name string) (row, column int, err error) {
	const longest = 8 // characters; keeps the row number small
	digits := strings.IndexAny(name, "0123456789")
	if digits < 1 || len(name) > longest {
		return 0, 0, fmt.Errorf("want a site as A1 or AB12, got %q", name)
	}
	for _, r := range name[:digits] {
		i := strings.IndexRune(rowLetters, r)
		switch {
		case i >= 0:
			row = row*len(rowLetters) + i + 1
		case strings.ContainsRune("IOQSXZ", r):
			return 0, 0, fmt.Errorf("%q has the letter %c: row letters leave out I, O, Q, S, X and Z", name, r)
		case r >= 'a' && r <= 'z':
			return 0, 0, fmt.Errorf("row letters are capitals; did you mean %s?", strings.ToUpper(name))
		default:
			return 0, 0, fmt.Errorf("want a site as A1 or AB12, got %q", name)
		}
	}
	column, err = strconv.Atoi(name[digits:])
	if err != nil || column < 1 || name[digits] == '0' {
		return 0, 0, fmt.Errorf("want a column number from 1 after the letters, got %q", name)
	}
	return row, column, nil
}

// Sites returns every site that the part has, row by row from A1. The array is centred on the
// drawing's origin whether or not its corners are present.
func (a *Array) Sites() ([]Site, error) {
	if a.Rows < 1 || a.Columns < 1 {
		return nil, fmt.Errorf("an array has at least one row and column, got %d × %d", a.Rows, a.Columns)
	}
	absent := make([]bool, a.Rows*a.Columns)
	for _, text := range a.Absent {
		r, err := a.parseRange(text)
		if err != nil {
			return nil, fmt.Errorf("absent %q: %w", text, err)
		}
		for row := r.top; row <= r.bottom; row++ {
			for column := r.left; column <= r.right; column++ {
				absent[(row-1)*a.Columns+column-1] = true
			}
		}
	}
	var sites []Site
	for row := 1; row <= a.Rows; row++ {
		for column := 1; column <= a.Columns; column++ {
			if !absent[(row-1)*a.Columns+column-1] {
				sites = append(sites, Site{SiteName(row, column), row, column, a.place(row, column)})
			}
		}
	}
	return sites, nil
}

// place returns where a site is drawn.
func (a *Array) place(row, column int) geom.DrawingPoint {
	// Whole multiples of half the pitch, so that mirrored sites are mirrored to the last bit.
	return geom.MmPoint(float64(2*column-1-a.Columns)*a.PitchMm/2, float64(a.Rows+1-2*row)*a.PitchMm/2)
}

// A siteRange is a rectangle of sites, both ends included.
type siteRange struct{ top, left, bottom, right int }

// parseRange reads "A1", "A1:A3" or "A1:C3".
func (a *Array) parseRange(text string) (siteRange, error) {
	first, last, isRange := strings.Cut(text, ":")
	if !isRange {
		last = first
	}
	var r siteRange
	var err error
	if r.top, r.left, err = a.parseOwn(strings.TrimSpace(first)); err != nil {
		return r, err
	}
	if r.bottom, r.right, err = a.parseOwn(strings.TrimSpace(last)); err != nil {
		return r, err
	}
	if r.top > r.bottom || r.left > r.right {
		return r, fmt.Errorf("a range goes from the top left to the bottom right; did you mean %s:%s?",
			SiteName(min(r.top, r.bottom), min(r.left, r.right)), SiteName(max(r.top, r.bottom), max(r.left, r.right)))
	}
	return r, nil
}

// parseOwn reads the name of a site that the array has.
func (a *Array) parseOwn(name string) (row, column int, err error) {
	row, column, err = ParseSite(name)
	if err == nil && (row > a.Rows || column > a.Columns) {
		err = fmt.Errorf("there is no site %s: the array goes from A1 to %s", name, SiteName(a.Rows, a.Columns))
	}
	return row, column, err
}

func (p *Part) checkArray(doc *strictyaml.Document) {
	a := p.Array
	if a.Datum == "marks" && !doc.Has("marks") {
		doc.Problemf("array.datum", "sites are measured from marks, but the part has none")
	}
	if doc.Sound("array.kind") && a.Kind == "columns" && doc.Has("array.equator_mm") {
		doc.Problemf("array.equator_mm", "columns have no equator_mm; delete the line or change the kind to balls")
	}
	if doc.Sound("array.equator_mm", "array.height_mm") && a.EquatorMm > a.HeightMm {
		doc.Problemf("array.equator_mm", "the equator at %g mm is above the top at %g mm", a.EquatorMm, a.HeightMm)
	}
	if doc.Sound("array.pitch_mm") {
		checkBelow(doc, "array.diameter_mm", "diameter", a.DiameterMm, "pitch", a.PitchMm)
		checkBelow(doc, "array.pad_mm", "pad diameter", a.PadMm, "pitch", a.PitchMm)
	}
	if !doc.Sound("array.rows", "array.columns") {
		return
	}
	good := true
	for i, text := range a.Absent {
		path := fmt.Sprintf("array.absent[%d]", i)
		if _, err := a.parseRange(text); err != nil && doc.Sound(path) {
			doc.Problemf(path, "%v", err)
		}
		good = good && doc.Sound(path)
	}
	if sites, err := a.Sites(); good && err == nil && len(sites) == 0 {
		doc.Problemf("array.absent", "no site is left")
	}
}
