package report

import (
	"errors"
	"fmt"
	"io"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"plumbsquare/internal/chart"
)

// Measures of a page of A4 in points.
const (
	pageWidth    = 595.28
	pageHeight   = 841.89
	sideMargin   = 40
	topMargin    = 44
	bottomMargin = 58
	textWidth    = pageWidth - 2*sideMargin
	pageEnd      = pageHeight - bottomMargin
)

// A paper is a PDF that is being written from top to bottom.
type paper struct {
	doc   *fpdf.Fpdf
	sheet chart.Sheet
	faces faces
	y     float64        // where the next thing begins, from the top of the page
	links map[string]int // by the anchor they lead to
	err   error
}

// PDF writes the same content as [Report.HTML] as a PDF: letters can be searched, charts are lines,
// the table of readings is attached. The same readings and options give the same bytes.
func (r *Report) PDF(w io.Writer) error {
	c := r.content
	p, err := newPaper(c)
	if err != nil {
		return err
	}
	p.first(c)
	for i, s := range c.Sections {
		p.section(s, i == 0)
	}
	p.ending(c)
	p.footers(c)
	if err := errors.Join(p.err, p.doc.Error()); err != nil {
		return fmt.Errorf("pdf: %w", err)
	}
	return p.doc.Output(w)
}

func newPaper(c *content) (*paper, error) {
	faces, err := loadFaces(c.font)
	if err != nil {
		return nil, err
	}
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: pageWidth, Ht: pageHeight}})
	doc.SetMargins(sideMargin, topMargin, sideMargin)
	doc.SetAutoPageBreak(false, 0)
	doc.SetCatalogSort(true) // the same order each time
	doc.AddUTF8FontFromBytes(sans, "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes(sans, "B", liberationsansbold.TTF)
	doc.SetTitle(undrawn(c.Title), true)
	doc.SetSubject(undrawn(c.Summary), true)
	doc.SetCreator(undrawn("inspect "+c.Program), true)
	doc.SetProducer("inspect", true)
	at := c.WrittenAt
	if at.IsZero() {
		at = time.Unix(0, 0).UTC()
	}
	doc.SetCreationDate(at)
	doc.SetModificationDate(at)
	doc.SetLang("en")
	if c.rows != nil {
		doc.SetAttachments([]fpdf.Attachment{{Content: c.rows, Filename: "readings.csv", Description: "all readings"}})
	}
	p := &paper{doc: doc, faces: faces, links: map[string]int{}}
	p.sheet = chart.Sheet{Doc: doc, Letters: p.letters}
	p.page()
	return p, nil
}

func (p *paper) page() {
	p.doc.AddPage()
	p.y = topMargin
}

// room begins a new page unless there is so much of this one left.
func (p *paper) room(height float64) {
	if p.y+height > pageEnd && p.y > topMargin {
		p.page()
	}
}

// link returns the link to an anchor.
func (p *paper) link(anchor string) int {
	id, known := p.links[anchor]
	if !known {
		id = p.doc.AddLink()
		p.links[anchor] = id
		p.doc.SetLink(id, 0, 1) // until the anchor is met
	}
	return id
}

// anchor makes links lead here.
func (p *paper) anchor(id string) {
	if id != "" {
		p.doc.SetLink(p.link(id), p.y-4, p.doc.PageNo())
	}
}

// footers writes what stands at the foot of every page, once their number is known.
func (p *paper) footers(c *content) {
	n := p.doc.PageCount()
	left := c.Title
	if c.Written != "" {
		left += ", written " + c.Written
	}
	for i := 1; i <= n; i++ {
		p.doc.SetPage(i)
		p.doc.SetFont(sans, "B", 1) // a page begins without a face
		y := pageHeight - 40.0
		p.rule(y-11, rule, 0.6)
		small := style{size: 7, color: faint}
		page := fmt.Sprintf("page %d of %d", i, n)
		room := textWidth - p.width(page, small) - 20
		p.write(p.cut(left, small, room), sideMargin, y, small)
		p.write(page, pageWidth-sideMargin-p.width(page, small), y, small)
		p.write("Helps people decide; it does not release product. Columns and balls often hold lead; see the care to take on the last page.", sideMargin, y+9.5, small)
	}
}

// ending writes where the readings come from, and the care to take.
func (p *paper) ending(c *content) {
	lines := []string{}
	for _, s := range c.Sources {
		lines = append(lines, s.Name+": "+s.Value)
	}
	if c.Written != "" {
		by := ""
		if c.Program != "" {
			by = " by inspect " + c.Program
		}
		lines = append(lines, "Written "+c.Written+by+".")
	}
	p.y += 14
	p.room(110)
	p.rule(p.y, ink, 2)
	p.y += 10
	for _, l := range lines {
		p.paragraph(l, style{size: 7.5, color: faint}, sideMargin, textWidth)
	}
	p.y += 5
	p.paragraph("Care", style{size: 9, bold: true, color: ink}, sideMargin, textWidth)
	p.paragraph(care, style{size: 8, color: ink}, sideMargin, textWidth)
}

// care is what the trade always says, at the end of every report.
const care = "This report helps people decide; it does not release product. Columns and balls often hold lead: wear gloves, wash your hands, and keep food away. " +
	"Flux and cleaning solvents need ventilation. Ovens and fixtures are hot. Bare dies are sensitive to electrostatic discharge. " +
	"Follow the site's procedures and local codes, and ask qualified people."
