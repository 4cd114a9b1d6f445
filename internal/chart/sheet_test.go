package chart

import (
	"bytes"
	"compress/zlib"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg"
)

// sheet returns an empty page and what is written on it.
func sheet() (Sheet, *[]placed) {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: 595, Ht: 842}})
	doc.AddPage()
	var texts []placed
	return Sheet{Doc: doc, Letters: func(x, y, turnDeg, size float64, bold bool, text string) {
		at := vg.Point{X: vg.Length(x), Y: vg.Length(y)}
		texts = append(texts, placed{text, vg.Rectangle{Min: at, Max: at}})
	}}, &texts
}

// drawing returns what a page's content says.
func drawing(t *testing.T, s Sheet) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.Doc.Output(&b); err != nil {
		t.Fatal(err)
	}
	_, rest, found := bytes.Cut(b.Bytes(), []byte("stream\n"))
	if !found {
		t.Fatal("the PDF holds no stream")
	}
	r, err := zlib.NewReader(bytes.NewReader(rest))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// A figure on a sheet says what it says as a picture of its own, all of it inside its place.
func TestSheetHoldsFigures(t *testing.T) {
	const x, y, width = 40, 50, 500
	for name, f := range figures(t) {
		s, texts := sheet()
		if err := s.Draw(f, x, y, width); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		p, _ := drawn(t, f)
		w, h := Size(f)
		if len(*texts) != len(p.texts) {
			t.Errorf("%s: %d texts, want %d", name, len(*texts), len(p.texts))
		}
		for i, got := range *texts {
			if i < len(p.texts) && got.text != drawable.Replace(p.texts[i].text) {
				t.Errorf("%s: text %q, want %q", name, got.text, p.texts[i].text)
			}
			if at := got.box.Min; at.X < x || at.X > x+width || at.Y < y || at.Y > y+vg.Length(h*width/w) {
				t.Errorf("%s: %q is written at %v, outside the figure", name, got.text, at)
			}
		}
	}
}

var curve = regexp.MustCompile(`([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) c\b`)

// The curves of a disc run along its circle, and turned and scaled canvases put it where they should.
func TestSheetArcs(t *testing.T) {
	s, _ := sheet()
	c := &sheetCanvas{sheet: s, look: sheetLook{at: affine{a: 2, d: -2, e: 10, f: 800}, color: ink}}
	c.Translate(vg.Point{X: 100, Y: 50})
	c.Rotate(math.Pi / 2)
	var disc vg.Path
	disc.Move(vg.Point{X: 70, Y: 20})
	disc.Arc(vg.Point{X: 50, Y: 20}, 20, 0, 2*math.Pi)
	c.Fill(disc)
	curves := curve.FindAllStringSubmatch(drawing(t, s), -1)
	if len(curves) != 4 {
		t.Fatalf("%d curves, want 4", len(curves))
	}
	// (50, 20) is turned to (−20, 50), shifted to (80, 100), scaled and flipped to (170, 600) from the
	// top, which PDF counts from the bottom of 842.
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for i, q := range curves {
		from := curves[(i+3)%4]
		for _, u := range []float64{0.25, 0.5, 0.75, 1} {
			at := func(k int) float64 {
				v := 1 - u
				return v*v*v*number(from[5+k]) + 3*v*v*u*number(q[1+k]) + 3*v*u*u*number(q[3+k]) + u*u*u*number(q[5+k])
			}
			if r := math.Hypot(at(0)-170, at(1)-(842-600)); math.Abs(r-40) > 0.03 { // 0.027 % of 40, and 0.01 of rounding
				t.Errorf("curve %d at %g: radius %.3f, want 40", i+1, u, r)
			}
		}
	}
}

func TestSheetRefusesPictures(t *testing.T) {
	s, _ := sheet()
	c := &sheetCanvas{sheet: s}
	c.DrawImage(vg.Rectangle{}, nil)
	if err := s.Doc.Error(); err == nil || !strings.Contains(err.Error(), "pictures") {
		t.Errorf("got error %v", err)
	}
}
