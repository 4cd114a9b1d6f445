package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/recorder"
)

// drawn draws a figure on a canvas that keeps what it is told.
func drawn(t *testing.T, f Figure) (*pen, *recorder.Canvas) {
	t.Helper()
	w, h := f.size()
	rec := new(recorder.Canvas)
	p := newPen(rec, w, h)
	if err := f.draw(p); err != nil {
		t.Fatal(err)
	}
	return p, rec
}

// No text may lie over another, or leave the page.
func TestTextsDontOverlap(t *testing.T) {
	for name, f := range figures(t) {
		p, _ := drawn(t, f)
		if len(p.texts) < 8 {
			t.Errorf("%s: only %d texts", name, len(p.texts))
		}
		for i, a := range p.texts {
			if a.box.Min.X < p.Min.X || a.box.Max.X > p.Max.X || a.box.Min.Y < p.Min.Y || a.box.Max.Y > p.Max.Y {
				t.Errorf("%s: %q leaves the page: %v", name, a.text, a.box)
			}
			for _, b := range p.texts[:i] {
				if overlap(a.box, b.box) {
					t.Errorf("%s: %q lies over %q", name, a.text, b.text)
				}
			}
		}
	}
}

// Rastering is slow under the race detector: these figures stand for the others.
var rastered = map[string]bool{"individuals": true, "scatter": true, "sites small": true}

// With -artifacts the figures are kept to be looked at.
func TestFormats(t *testing.T) {
	dir := t.ArtifactDir()
	for name, f := range figures(t) {
		w, h := f.size()
		for _, format := range Formats {
			if format != "svg" && !rastered[name] {
				continue
			}
			var b bytes.Buffer
			if err := Write(&b, f, format); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if err := os.WriteFile(filepath.Join(dir, name+"."+format), b.Bytes(), 0o666); err != nil {
				t.Fatal(err)
			}
			switch format {
			case "png":
				img, err := png.Decode(&b)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				gotW, gotH := img.Bounds().Dx(), img.Bounds().Dy()
				wantW, wantH := w.Dots(pngDPI), h.Dots(pngDPI)
				if math.Abs(float64(gotW)-wantW) > 1 || math.Abs(float64(gotH)-wantH) > 1 {
					t.Errorf("%s: %d × %d px, want %.0f × %.0f", name, gotW, gotH, wantW, wantH)
				}
			case "svg":
				checkSVG(t, name, f, b.Bytes())
			case "pdf":
				if !bytes.HasPrefix(b.Bytes(), []byte("%PDF-")) || !bytes.Contains(b.Bytes(), []byte("%%EOF")) {
					t.Errorf("%s: not a PDF", name)
				}
			}
		}
	}
}

// checkSVG holds the texts of an SVG to those that were laid out.
func checkSVG(t *testing.T, name string, f Figure, svg []byte) {
	t.Helper()
	var texts []string
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if start, ok := tok.(xml.StartElement); ok && start.Name.Local == "text" {
			var s string
			if err := d.DecodeElement(&s, &start); err != nil {
				t.Fatal(err)
			}
			texts = append(texts, s)
		}
	}
	p, _ := drawn(t, f)
	if len(texts) != len(p.texts) {
		t.Errorf("%s: %d texts in the SVG, %d laid out", name, len(texts), len(p.texts))
	}
	if bytes.Contains(svg, []byte("font-family:Liberation Sans;")) {
		t.Errorf("%s: fonts without a fallback", name)
	}
}

// Every hit must be drawn at its point, with its shape.
func TestHitsStandWhereTheyAre(t *testing.T) {
	c := figures(t)["individuals"].(Control)
	ch := c.Charts[0]
	p, rec := drawn(t, c)
	var diamonds, squares []vg.Point // their centres
	for _, a := range rec.Actions {
		f, ok := a.(*recorder.Fill)
		if !ok {
			continue
		}
		lo, hi := vg.Point{X: infinite, Y: infinite}, vg.Point{X: -infinite, Y: -infinite}
		for _, c := range f.Path {
			if c.Type == vg.MoveComp || c.Type == vg.LineComp {
				lo = vg.Point{X: min(lo.X, c.Pos.X), Y: min(lo.Y, c.Pos.Y)}
				hi = vg.Point{X: max(hi.X, c.Pos.X), Y: max(hi.Y, c.Pos.Y)}
			}
		}
		centre := vg.Point{X: (lo.X + hi.X) / 2, Y: (lo.Y + hi.Y) / 2}
		switch size := hi.X - lo.X; {
		case len(f.Path) != 5 || size > 8 || size < 4:
		case f.Path[0].Pos.Y == f.Path[1].Pos.Y:
			squares = append(squares, centre)
		default:
			diamonds = append(diamonds, centre)
		}
	}
	// Two numbers of the lower scale give the horizontal scale; the values of limits the vertical one.
	x1, x125 := textAt(t, p, "1", -1), textAt(t, p, "125", -1)
	ucl, cl := textAt(t, p, "UCL "+number(ch.Points[0].UCL, 1), 1), textAt(t, p, "CL "+number(ch.Points[0].Center, 1), 1)
	where := func(i int) vg.Point {
		pt := ch.Points[i]
		return vg.Point{
			X: x1.X + vg.Length(float64(pt.Index)/124)*(x125.X-x1.X),
			Y: cl.Y + 0.095*smallSize + vg.Length((pt.Value-pt.Center)/(pt.UCL-pt.Center))*(ucl.Y-cl.Y),
		}
	}
	near := func(list []vg.Point, at vg.Point) bool {
		for _, q := range list {
			if math.Hypot(float64(q.X-at.X), float64(q.Y-at.Y)) < 0.6 {
				return true
			}
		}
		return false
	}
	beyond := map[int]bool{}
	for _, h := range ch.Hits {
		if h.Rule == 1 {
			beyond[h.At] = true
		}
	}
	if len(beyond) == 0 || len(ch.Hits) < 10 {
		t.Fatalf("the example has too few hits: %v", ch.Hits)
	}
	for _, h := range ch.Hits {
		list, kind := squares, "square"
		if beyond[h.At] {
			list, kind = diamonds, "diamond"
		}
		if !near(list, where(h.At)) {
			t.Errorf("%v at point %d: no %s at %v", h.Rule, h.At+1, kind, where(h.At))
		}
	}
}

// textAt returns the centre of the highest (side 1) or lowest (side -1) text that reads s.
func textAt(t *testing.T, p *pen, s string, side vg.Length) vg.Point {
	t.Helper()
	at := vg.Point{Y: -side * infinite}
	for _, w := range p.texts {
		if c := w.box.Min.Add(w.box.Max).Scale(0.5); w.text == s && side*c.Y > side*at.Y {
			at = c
		}
	}
	if at.Y == -side*infinite {
		t.Fatalf("no text %q", s)
	}
	return at
}

func TestNothingToDraw(t *testing.T) {
	for _, f := range []Figure{Control{Title: "empty"}, Scatter{Clouds: []Cloud{{Name: "none"}}}, Sites{}} {
		if err := Write(io.Discard, f, "svg"); err == nil {
			t.Errorf("%#v: drawn", f)
		}
	}
	if err := Write(io.Discard, figures(t)["two"], "gif"); err == nil {
		t.Error("wrote a GIF")
	}
}

var infinite = vg.Length(math.Inf(1))

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestWriteReportsErrors(t *testing.T) {
	for _, format := range Formats {
		if err := Write(failing{}, figures(t)["two"], format); err == nil {
			t.Errorf("%s: no error from a full disk", format)
		}
	}
}

func TestFormatOf(t *testing.T) {
	for name, want := range map[string]string{"x.png": "png", "a/b.SVG": "svg", "c.pdf": "pdf", "d.jpg": "", "png": ""} {
		got, err := FormatOf(name)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("FormatOf(%q) = %q, %v", name, got, err)
		}
	}
}

func TestInline(t *testing.T) {
	svg, err := Inline(figures(t)["two"], `limits & "hits"`)
	if err != nil {
		t.Fatal(err)
	}
	s := string(svg)
	if !strings.HasPrefix(s, "<svg viewBox=") || strings.Contains(s, "<?xml") || !strings.Contains(s, `aria-label="limits &amp; &#34;hits&#34;"`) {
		t.Errorf("inline SVG begins %.200s", s)
	}
	if err := xml.Unmarshal(svg, new(struct{})); err != nil {
		t.Error(err)
	}
}

// Figures are drawn for many requests at a time, and come out alike.
func TestDrawingIsSafeForConcurrentUse(t *testing.T) {
	f := figures(t)["sites small"]
	for _, format := range []string{"svg", "png"} {
		var want bytes.Buffer
		if err := Write(&want, f, format); err != nil {
			t.Fatal(err)
		}
		var group sync.WaitGroup
		for range 4 {
			group.Go(func() {
				var got bytes.Buffer
				if err := Write(&got, f, format); err != nil || !bytes.Equal(got.Bytes(), want.Bytes()) {
					t.Errorf("%s: another picture, or error %v", format, err)
				}
			})
		}
		group.Wait()
	}
}
