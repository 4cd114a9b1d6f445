// Package chart draws what spc computes: control charts, scatter of offsets, capability. A figure
// is laid out in points (1/72 inch) with the fonts that come with gonum/plot, so that it looks the
// same on every machine, and is written as PNG, SVG or PDF. No two texts of a figure overlap:
// labels that don't fit are thinned out. What matters is told by shape and line style, and by
// colours (after Okabe & Ito, Color Universal Design, 2008) that colour-blind eyes tell apart.
package chart

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgpdf"
	"gonum.org/v1/plot/vg/vgsvg"
)

// A Figure can be drawn.
type Figure interface {
	// size returns the width and height it wants.
	size() (w, h vg.Length)
	draw(p *pen) error
}

// Formats are the names of what Write writes, which are also the endings of its files.
var Formats = [...]string{"png", "svg", "pdf"}

// pngDPI is the resolution of PNG pictures.
const pngDPI = 150

// FormatOf returns the format that a file's name asks for.
func FormatOf(name string) (string, error) {
	ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), "."))
	for _, f := range Formats {
		if ext == f {
			return f, nil
		}
	}
	return "", fmt.Errorf("%s: a chart's name must end in .png, .svg or .pdf", name)
}

// Write draws a figure in one of Formats. It returns an error when there is nothing to draw or
// the format is none of them.
func Write(w io.Writer, f Figure, format string) error {
	width, height := f.size()
	var canvas interface {
		vg.Canvas
		io.WriterTo
	}
	var on vg.Canvas
	switch format {
	case "png":
		img := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(pngDPI))
		canvas = vgimg.PngCanvas{Canvas: img}
	case "svg":
		canvas = vgsvg.New(width, height)
	case "pdf":
		canvas = vgpdf.New(width, height)
		on = outlined{canvas}
	default:
		return fmt.Errorf("chart: no format %q; there are png, svg and pdf", format)
	}
	if on == nil {
		on = canvas
	}
	if err := f.draw(newPen(on, width, height)); err != nil {
		return err
	}
	if format == "svg" {
		var b bytes.Buffer
		if _, err := canvas.WriteTo(&b); err != nil {
			return err
		}
		_, err := w.Write(withFallbackFonts(b.Bytes()))
		return err
	}
	_, err := canvas.WriteTo(w)
	return err
}

// inlineScale is how large a figure is at most in a page, in CSS px a point, so that the texts of
// all figures of a page are alike.
const inlineScale = 1.25

// Inline draws a figure as an svg element to stand in an HTML page: it fills the width that the
// page gives it, up to its natural size. Label is read out by screen readers.
func Inline(f Figure, label string) ([]byte, error) {
	var b bytes.Buffer
	if err := Write(&b, f, "svg"); err != nil {
		return nil, err
	}
	svg := b.Bytes()
	start := bytes.Index(svg, []byte("<svg"))
	if start < 0 {
		return nil, errors.New("chart: drawing gave no svg element")
	}
	end := start + bytes.IndexByte(svg[start:], '>')
	w, h := f.size()
	head := fmt.Sprintf(`<svg viewBox="0 0 %g %g" xmlns="http://www.w3.org/2000/svg" style="max-width:%.0fpx" role="img" aria-label="%s"`,
		w.Points(), h.Points(), inlineScale*w.Points(), escapeAttribute(label))
	return append([]byte(head), svg[end:]...), nil
}

func escapeAttribute(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&#34;").Replace(s)
}

// withFallbackFonts names fonts with the same widths for machines that lack Liberation Sans.
func withFallbackFonts(svg []byte) []byte {
	return bytes.ReplaceAll(svg, []byte("font-family:Liberation Sans;font-variant:normal;"),
		[]byte("font-family:'Liberation Sans',Arial,Helvetica,sans-serif;"))
}
