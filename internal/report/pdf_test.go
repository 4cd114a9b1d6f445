package report_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"
	"unicode/utf16"

	"golang.org/x/image/font/gofont/goregular"
	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
)

// A pdfFile is what the tests look at of a PDF.
type pdfFile struct {
	pages []string // the words of each page, a line each
	data  []byte
}

var (
	stream  = regexp.MustCompile(`(?s)<<([^>]*)/Length (\d+)[^>]*>>\s*stream\n`)
	written = regexp.MustCompile(`(?s)\(((?:[^\\()]|\\.)*)\) Tj`)
)

// readPDF takes the texts out of a PDF that fpdf wrote: its letters are UTF-16 with the high byte
// first.
func readPDF(t interface{ Helper() }, data []byte) pdfFile {
	t.Helper()
	f := pdfFile{data: data}
	for _, m := range stream.FindAllSubmatchIndex(data, -1) {
		z, err := zlib.NewReader(bytes.NewReader(data[m[1]:]))
		if err != nil {
			continue // a picture
		}
		content, err := io.ReadAll(z)
		if err != nil || !bytes.Contains(content, []byte(" Tj")) {
			continue
		}
		var page strings.Builder
		for _, w := range written.FindAllSubmatch(content, -1) {
			raw := unescape(w[1])
			letters := make([]uint16, len(raw)/2)
			for i := range letters {
				letters[i] = binary.BigEndian.Uint16(raw[2*i:])
			}
			page.WriteString(string(utf16.Decode(letters)) + "\n")
		}
		f.pages = append(f.pages, page.String())
	}
	return f
}

func unescape(s []byte) (out []byte) {
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+1 < len(s) {
			i++
			if s[i] == 'r' {
				out = append(out, '\r')
				continue
			}
		}
		out = append(out, s[i])
	}
	return out
}

func (f pdfFile) says(text string) bool {
	all := strings.ReplaceAll(strings.Join(f.pages, "\n"), "\n", " ")
	return strings.Contains(all, text)
}

func writePDF(t testing.TB, o report.Options, rs ...*reading.Reading) []byte {
	t.Helper()
	r, err := report.New(seq(rs...), o)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := r.PDF(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// The PDF says what the page says; with -artifacts it is kept to be looked at.
func TestPDF(t *testing.T) {
	o := report.Options{
		Title: "Night of 4 March", Parts: tern(t), Program: "1.0", Written: time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC),
		Overlays: fstest.MapFS{"shot-031.overlay.png": overlay(t, 2000, 1000), "lots_shot-043.png.overlay.png": overlay(t, 300, 200), "shot-047.overlay.png": {Data: []byte("no picture")}},
	}
	data := writePDF(t, o, aDay()...)
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), "report.pdf"), data, 0o666); err != nil {
		t.Fatal(err)
	}
	f := readPDF(t, data)
	if len(f.pages) < 4 || len(f.pages) > 20 {
		t.Fatalf("%d pages", len(f.pages))
	}
	for _, text := range []string{
		"What to do first", "What failed", "What drifted", "What wasn't measured", "Needs attention: 4 rejected, 1 in review",
		"Look at the 4 rejects of lots L07, L10, L11", "2 pictures: saturated",
	} {
		if !strings.Contains(strings.ReplaceAll(f.pages[0], "\n", " "), text) {
			t.Errorf("the first page doesn't say %q", text)
		}
	}
	for _, text := range []string{
		"X, 140 µm, is beyond its limit of 100 µm <b>&amp;</b>", "the overlay of shot-047 can't be read",
		"Offset X", "UCL", "Capability, rotation θ", "Corrections to the placer", "What is wrong, site by site",
		"Where the die sits, by head", "readings.csv is attached", "−9.0 ± 0.8", "shot-051.png",
		"Bare dies are sensitive to electrostatic discharge", "Follow the site's procedures",
	} {
		if !f.says(text) {
			t.Errorf("the PDF doesn't say %q", text)
		}
	}
	for i, page := range f.pages {
		if !strings.Contains(page, "it does not release product") || !strings.Contains(page, "Night of 4 March, written 2031-03-05 06:00 UTC") {
			t.Errorf("page %d lacks its foot", i+1)
		}
	}
	if n := bytes.Count(data, []byte("/DCTDecode")); n != 2 {
		t.Errorf("%d overlays, want 2", n)
	}
	if !bytes.Contains(data, []byte("/EmbeddedFile")) {
		t.Error("the table of readings isn't attached")
	}
	if again := writePDF(t, o, aDay()...); !bytes.Equal(again, data) {
		t.Error("the same readings give another PDF")
	}
}

// Names in other letters are written as they are where the face has them, else as their codes.
func TestPDFLetters(t *testing.T) {
	r := die(1)
	r.Source.Picture, r.Shot.Lot, r.Shot.Operator = "образец №3.png", "Παρτίδα 7", "\u7530\u4e2d\U0001f642\x07"
	f := readPDF(t, writePDF(t, report.Options{Title: "Größe x̄"}, r))
	for _, text := range []string{"образец №3.png", "Παρτίδα 7", "[U+7530][U+4E2D][U+1F642]", "Größe x"} {
		if !f.says(text) {
			t.Errorf("the PDF doesn't say %q", text)
		}
	}
}

// A font that is given lends the letters that the face lacks.
func TestPDFFont(t *testing.T) {
	r := die(1)
	r.Shot.Lot = "A∪B"
	without := readPDF(t, writePDF(t, report.Options{}, r))
	if !without.says("A[U+222A]B") {
		t.Error("without a font the letter isn't said by its code")
	}
	with := readPDF(t, writePDF(t, report.Options{Font: goregular.TTF}, r))
	if with.says("U+222A") || !with.says("A") {
		t.Error("the letter isn't taken from the font")
	}
	o, err := report.New(seq(die(1)), report.Options{Font: []byte("no font")})
	if err != nil {
		t.Fatal(err)
	}
	if err := o.PDF(io.Discard); err == nil || !strings.Contains(err.Error(), "TrueType or OpenType") {
		t.Errorf("got error %v", err)
	}
}

// However names and times read, both forms come out, and say how many pictures there were.
func TestAnyNames(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		word := rapid.OneOf(rapid.String(), rapid.StringN(0, 300, 900), rapid.SampledFrom([]string{"", "L1", "L2", "../a b.png", "\xff\xfe", "<script>", "(\\)", strings.Repeat("m", 400)}))
		rs := make([]*reading.Reading, rapid.IntRange(1, 12).Draw(rt, "readings"))
		for i := range rs {
			rs[i] = rapid.SampledFrom([]func() *reading.Reading{
				func() *reading.Reading { return die(i) }, func() *reading.Reading { return columns(i, "C4") },
			}).Draw(rt, "kind")()
			rs[i].Shot.Lot, rs[i].Shot.Head, rs[i].Shot.TakenAt = word.Draw(rt, "lot"), word.Draw(rt, "head"), word.Draw(rt, "taken")
			rs[i].Source.Picture, rs[i].Source.Part = word.Draw(rt, "picture"), word.Draw(rt, "part")
			rs[i].Warnings = []string{word.Draw(rt, "warning")}
			if rapid.Bool().Draw(rt, "refused") {
				rs[i].Offset, rs[i].Array = nil, nil
				rs[i].Verdict.Decision = reading.Retake
				rs[i].Refusal = &reading.Refusal{Gate: word.Draw(rt, "gate"), Instruction: word.Draw(rt, "instruction")}
			}
		}
		r, err := report.New(seq(rs...), report.Options{Title: word.Draw(rt, "title"), Font: rapid.SampledFrom([][]byte{nil, goregular.TTF}).Draw(rt, "font")})
		if err != nil {
			rt.Fatal(err)
		}
		var page, pdf bytes.Buffer
		if err := r.HTML(&page); err != nil {
			rt.Fatalf("HTML: %v", err)
		}
		if strings.Contains(page.String(), "<script>") {
			rt.Fatal("a name got into the page as markup")
		}
		if err := r.PDF(&pdf); err != nil {
			rt.Fatalf("PDF: %v", err)
		}
		o := r.Outcome()
		if n := o.Measured + o.Not; n != len(rs) {
			rt.Fatalf("%d measured and %d not, of %d", o.Measured, o.Not, len(rs))
		}
		if f := readPDF(rt, pdf.Bytes()); !f.says("picture") {
			rt.Fatal("the PDF doesn't say how many pictures there were")
		}
	})
}
