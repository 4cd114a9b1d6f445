package drawing_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"plumbsquare/internal/drawing"
	"plumbsquare/internal/part"
)

func load(tb testing.TB, path string) *part.Part {
	tb.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	p, err := part.Load(data, path)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// A thing is an element of the SVG that tells what it is.
type thing struct {
	title string
	attr  map[string]float64
}

// things reads an SVG and returns its elements that have a title, and all its text.
func things(tb testing.TB, svg []byte) (named []thing, text []string) {
	tb.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	var open []thing
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return named, text
		}
		if err != nil {
			tb.Fatalf("no XML: %v", err)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			t := thing{tok.Name.Local, map[string]float64{}}
			for _, a := range tok.Attr {
				if x, err := strconv.ParseFloat(a.Value, 64); err == nil {
					t.attr[a.Name.Local] = x
				}
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					tb.Errorf("%s %s=%q", tok.Name.Local, a.Name.Local, a.Value)
				}
			}
			open = append(open, t)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			switch open := open; {
			case len(open) == 0:
			case open[len(open)-1].title == "title":
				named = append(named, thing{string(tok), open[len(open)-2].attr})
			case open[len(open)-1].title == "text":
				text = append(text, string(tok))
			}
		}
	}
}

// Every site is drawn where the part file has it, to scale, with row A on top.
func TestSitesAreDrawnToScale(t *testing.T) {
	for _, name := range []string{"tern", "wren"} {
		t.Run(name, func(t *testing.T) {
			p := load(t, "../../examples/parts/"+name+".yaml")
			svg, err := drawing.SVG(p)
			if err != nil {
				t.Fatal(err)
			}
			at := map[string]thing{}
			var outline []thing
			named, text := things(t, svg)
			for _, n := range named {
				site, rest, _ := strings.Cut(n.title, " ")
				if _, is := n.attr["cx"]; is && !strings.HasSuffix(rest, "absent") {
					at[site] = n
				}
				if site == "substrate" {
					outline = append(outline, n)
				}
			}
			if len(outline) != 2 {
				t.Fatalf("%d sides drawn, want 2", len(outline))
			}
			o := outline[1].attr
			k := o["width"] / p.Substrate.WidthMm
			sites, err := p.Array.Sites()
			if err != nil {
				t.Fatal(err)
			}
			written := strings.Join(text, " ") + " "
			for _, s := range sites {
				c, there := at[s.Name]
				if !there {
					t.Errorf("%s is not drawn", s.Name)
					continue
				}
				x := (c.attr["cx"] - o["x"] - o["width"]/2) / k
				y := (o["y"] + o["height"]/2 - c.attr["cy"]) / k
				if math.Hypot(x-s.At.X.Mm(), y-s.At.Y.Mm()) > 1e-3 || math.Abs(2*c.attr["r"]/k-p.Array.DiameterMm) > 1e-3 {
					t.Errorf("%s is drawn at (%g, %g), want (%g, %g)", s.Name, x, y, s.At.X.Mm(), s.At.Y.Mm())
				}
				if !strings.Contains(written, " "+s.Name+" ") {
					t.Errorf("%s is not named", s.Name)
				}
			}
			if got, want := strings.Count(string(svg), ", absent</title>"), p.Array.Rows*p.Array.Columns-len(sites); got != want {
				t.Errorf("%d absent sites drawn, want %d", got, want)
			}
		})
	}
}

func TestDieSideIsDrawnToScale(t *testing.T) {
	p := load(t, "../../examples/parts/wren.yaml")
	svg, err := drawing.SVG(p)
	if err != nil {
		t.Fatal(err)
	}
	named, _ := things(t, svg)
	var substrate, die map[string]float64
	for _, n := range named {
		switch {
		case strings.HasPrefix(n.title, "die") && die == nil:
			die = n.attr
		case strings.HasPrefix(n.title, "substrate") && substrate == nil:
			substrate = n.attr
		}
	}
	k := substrate["width"] / 25
	for what, got := range map[string][2]float64{
		"width":    {die["width"] / k, 7.2},
		"centre x": {(die["x"] + die["width"]/2 - substrate["x"] - substrate["width"]/2) / k, 0.5},
		"centre y": {-(die["y"] + die["height"]/2 - substrate["y"] - substrate["height"]/2) / k, -0.25},
	} {
		if math.Abs(got[0]-got[1]) > 1e-3 {
			t.Errorf("%s: got %g mm, want %g", what, got[0], got[1])
		}
	}
}

// Every kind of part gives a drawing that names all its marks.
func TestEveryPartCanBeDrawn(t *testing.T) {
	var paths []string
	for _, pattern := range []string{"../../examples/parts/*.yaml", "../part/testdata/*.yaml"} {
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			t.Fatal(pattern, err)
		}
		paths = append(paths, found...)
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			p := load(t, path)
			svg, err := drawing.SVG(p)
			if err != nil {
				t.Fatal(err)
			}
			_, text := things(t, svg)
			all := "\n" + strings.Join(text, "\n") + "\n"
			want := []string{p.Name, "+X", "+Y"}
			if p.Marks != nil {
				for _, m := range p.Marks.At {
					want = append(want, m.Name)
				}
			}
			if p.Die != nil {
				want = append(want, fmt.Sprintf("die %g × %g", p.Die.WidthMm, p.Die.HeightMm))
			}
			for _, w := range want {
				if !strings.Contains(all, "\n"+w+"\n") {
					t.Errorf("%q is not written", w)
				}
			}
		})
	}
}

// A turned die goes counter-clockwise on the sheet, which is a negative rotation in SVG.
func TestThetaTurnsCounterClockwise(t *testing.T) {
	p := load(t, "../../examples/parts/wren.yaml")
	p.Die.ThetaDeg = 30
	svg, err := drawing.SVG(p)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(svg), `<g transform="rotate(-30 `) {
		t.Error("the die is not turned by +30°")
	}
}

func ExampleSVG() {
	const file = `
part: chip
substrate: {width_mm: 4, height_mm: 3}
array: {kind: balls, rows: 2, columns: 3, pitch_mm: 1, diameter_mm: 0.5, datum: outline, absent: [A1]}
`
	p, err := part.Load([]byte(file), "chip.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	svg, err := drawing.SVG(p)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range strings.Split(string(svg), "\n") {
		if _, title, ok := strings.Cut(line, "<title>"); ok && strings.HasPrefix(line, "<circle") {
			fmt.Println(strings.TrimSuffix(title, "</title></circle>"))
		}
	}
	// Output:
	// A1 at (−1, 0.5), absent
	// A2 at (0, 0.5)
	// A3 at (1, 0.5)
	// B1 at (−1, −0.5)
	// B2 at (0, −0.5)
	// B3 at (1, −0.5)
}
