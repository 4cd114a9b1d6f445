package report

import (
	"fmt"
	"html/template"
	"path/filepath"
	"slices"
	"strings"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// A flagged reading is one that was rejected or is in review.
type flagged struct {
	Decision     reading.Decision
	ID           string // anchor
	Picture      string
	Particulars  string
	Reasons      []string
	ReasonsMore  string
	Warnings     []string
	Decided      string // by whom and why, "" when nobody has
	JPEG         []byte // the overlay, nil when there is none
	Width        int    // of the overlay, px
	Height       int
	Alt          string
	ImageMissing string // why there is none, "" when none was asked for
}

// Image returns the overlay as a picture's source.
func (f flagged) Image() template.URL { return jpegURI(f.JPEG) }

// flagged returns rejects, then reviews.
func (d *day) flagged(o Options) (blocks []block) {
	overlays := overlays{files: o.Overlays}
	t := &table{Columns: []column{{Name: "Verdict"}, {Name: "Picture", Wide: true}, {Name: "Particulars", Wide: true}, {Name: "Why", Wide: true}}}
	n := 0
	for _, decision := range []reading.Decision{reading.Reject, reading.Review} {
		for i, s := range d.shots {
			if s.Verdict.Decision != decision {
				continue
			}
			if n++; n > mostFlagged {
				continue
			}
			f := s.flagged(i, &overlays)
			if f.JPEG != nil || f.ImageMissing != "" {
				blocks = append(blocks, block{Shot: f})
				continue
			}
			why := strings.Join(append(slices.Clone(f.Reasons), f.Warnings...), "; ")
			if f.ReasonsMore != "" {
				why += "; " + f.ReasonsMore
			}
			if f.Decided != "" {
				why += "; " + f.Decided
			}
			t.add("flagged", cell{Decision: f.Decision}, cell{Text: f.Picture}, cell{Text: f.Particulars}, cell{Text: why})
		}
	}
	if n > mostFlagged {
		t.More = fmt.Sprintf("%d more are not shown here; the table of readings has them", n-mostFlagged)
	}
	if len(t.Rows) > 0 || t.More != "" {
		blocks = append(blocks, block{Table: t})
	}
	return blocks
}

func (s *shot) flagged(i int, overlays *overlays) *flagged {
	f := &flagged{
		Decision: s.Verdict.Decision, ID: fmt.Sprintf("shot-%d", i+1),
		Picture: s.PictureName(), Particulars: s.particulars(), Warnings: s.Warnings, Decided: s.decided,
	}
	for _, reason := range s.Verdict.Reasons {
		f.Reasons = append(f.Reasons, reason.Text)
	}
	if n := s.reasons - mostReasons; n > 1 {
		f.ReasonsMore = fmt.Sprintf("and %d more", n)
		f.Reasons = f.Reasons[:mostReasons]
	}
	picture := s.Source.Picture
	if len(s.Looks) > 0 {
		picture = s.Looks[0].Picture // after which the overlay of all is named
	}
	f.JPEG, f.Width, f.Height, f.ImageMissing = overlays.find(picture)
	f.Alt = fmt.Sprintf("Overlay of %s: %s", f.Picture, strings.Join(f.Reasons, "; "))
	return f
}

func (s *shot) particulars() string {
	var words []string
	add := func(name, v string) {
		if v != "" {
			words = append(words, name+v)
		}
	}
	add("part ", s.Source.Part)
	add("", string(s.Shot.View))
	add("line ", s.line)
	add("lot ", s.Shot.Lot)
	add("sample ", s.Shot.Sample)
	add("head ", s.Shot.Head)
	add("nozzle ", s.Shot.Nozzle)
	add("pick position ", s.Shot.PickPosition)
	add("scope ", s.Source.Scope)
	add("", s.when())
	return strings.Join(words, " · ")
}

func (s *shot) when() string {
	if s.at.IsZero() {
		return s.Shot.TakenAt
	}
	return s.at.Format("2006-01-02 15:04")
}

// A retake is a reason for which pictures have to be taken again.
type retake struct {
	gate, instruction string
	pictures          []string
}

// retakes gathers refused pictures by reason, most frequent first. Instructions of one gate differ
// in their numbers; the first stands for all.
func (d *day) retakes() (list []*retake) {
	at := map[string]*retake{}
	for _, s := range d.shots {
		if s.Refusal == nil {
			continue
		}
		r := at[s.Refusal.Gate]
		if r == nil {
			r = &retake{gate: s.Refusal.Gate, instruction: s.Refusal.Instruction}
			at[s.Refusal.Gate] = r
			list = append(list, r)
		}
		r.pictures = append(r.pictures, s.PictureName())
	}
	slices.SortStableFunc(list, func(a, b *retake) int { return len(b.pictures) - len(a.pictures) })
	return list
}

// notMeasured lists what has to be taken again, by reason, and what no reading came from.
func (d *day) notMeasured(o Options) (blocks []block) {
	if list := d.retakes(); len(list) > 0 {
		t := &table{Columns: []column{{Name: "Why"}, {Name: "Pictures", Number: true}, {Name: "What to do", Wide: true}, {Name: "Which", Wide: true}}}
		for _, r := range list {
			t.add("retake", cell{Text: r.gate}, cell{Text: fmt.Sprint(len(r.pictures))}, cell{Text: r.instruction}, cell{Text: few(r.pictures, 8)})
		}
		blocks = append(blocks, block{Heading: "To be taken again, by reason"}, block{Table: t})
	}
	if len(o.NotMeasured) > 0 {
		t := &table{Columns: []column{{Name: "Picture"}, {Name: "Why, and what to do", Wide: true}}}
		for i, n := range o.NotMeasured {
			if i == mostFlagged {
				t.More = fmt.Sprintf("%d more", len(o.NotMeasured)-mostFlagged)
				break
			}
			t.add("not-measured", cell{Text: filepath.Base(n.Picture)}, cell{Text: n.Reason})
		}
		blocks = append(blocks, block{Heading: "Set aside or waiting"}, block{Table: t})
	}
	return blocks
}

// readings lists the first readings and offers all of them as a file.
func (d *day) readings(o Options) []block {
	if len(d.shots) == 0 {
		return nil
	}
	t := &table{Columns: []column{
		{Name: "Verdict"}, {Name: "Picture", Wide: true}, {Name: "Part and view", Wide: true}, {Name: "Lot"}, {Name: "Sample"}, {Name: "Head"}, {Name: "Taken"},
		{Name: "X, µm", Number: true}, {Name: "Y, µm", Number: true}, {Name: "θ, °", Number: true}, {Name: "Sites", Wide: true},
	}}
	for i, s := range d.shots {
		if i == mostRows {
			t.More = fmt.Sprintf("%d more are in the table of all readings", len(d.shots)-mostRows)
			break
		}
		t.add("reading", s.row()...)
	}
	blocks := []block{
		{Text: "Offsets are measured minus nominal in the drawing frame, θ counter-clockwise; ± is the expanded uncertainty (k = 2).", Small: true},
	}
	switch {
	case !d.rows.over:
		blocks = append(blocks, block{File: &file{"readings.csv", "all readings as CSV, a row a shot", d.rows.Bytes()}})
	case o.Table != nil:
		blocks = append(blocks, block{Text: fmt.Sprintf("The table of all %d readings is too large to stand in here; it is in the CSV file that was written with this report.", len(d.shots))})
	default:
		blocks = append(blocks, block{Text: fmt.Sprintf("The table of all %d readings is too large to stand in here; inspect report writes it beside the report where a name ending in .csv asks for it.", len(d.shots))})
	}
	return append(blocks, block{Table: t})
}

// row writes a reading with expanded uncertainties (k = 2), as everywhere on paper.
func (s *shot) row() []cell {
	pm := func(v, u float64) cell {
		if u == 0 {
			return cell{}
		}
		return cell{Text: reading.PlusMinus(v, 2*u)}
	}
	var x, y, theta cell
	sites := ""
	if f := s.Offset; f != nil {
		x, y, theta = pm(f.XUm, f.UXUm), pm(f.YUm, f.UYUm), pm(f.ThetaDeg, f.UTheta)
	} else if a := s.Array; a != nil && a.Present > 0 {
		x, y, theta = pm(a.XUm, a.UXUm), pm(a.YUm, a.UYUm), pm(a.ThetaDeg, a.UTheta)
	}
	if a := s.Array; a != nil {
		var words []string
		for _, c := range []struct {
			n    int
			what string
		}{{a.Missing, "missing"}, {a.Tilted, "tilted"}, {a.Bridged, "bridged"}, {a.Doubled, "doubled"}} {
			if c.n > 0 {
				words = append(words, fmt.Sprintf("%d %s", c.n, c.what))
			}
		}
		if words == nil {
			words = []string{fmt.Sprintf("all %d", a.Present)}
		}
		sites = strings.Join(words, ", ")
	}
	return []cell{
		{Decision: s.Verdict.Decision}, {Text: s.PictureName()}, {Text: strings.TrimSpace(s.Source.Part + " " + string(s.Shot.View))},
		{Text: s.Shot.Lot}, {Text: s.Shot.Sample}, {Text: s.Shot.Head}, {Text: s.when()}, x, y, theta, {Text: sites},
	}
}

// signalBlocks lists the signals that somebody has to see to.
func signalBlocks(signals []Signal) []block {
	if len(signals) == 0 {
		return nil
	}
	t := &table{Columns: []column{{Name: "No.", Number: true}, {Name: "Since"}, {Name: "Chart"}, {Name: "State"}, {Name: "Signal", Wide: true}, {Name: "Cause"}}}
	for i, s := range signals {
		if i == mostFlagged {
			t.More = fmt.Sprintf("%d more", len(signals)-mostFlagged)
			break
		}
		since := ""
		if !s.Since.IsZero() {
			since = s.Since.Format("2006-01-02 15:04")
		}
		t.add("signal", cell{Text: fmt.Sprint(s.ID)}, cell{Text: since}, cell{Text: s.Chart}, cell{Text: s.State}, cell{Text: s.Text}, cell{Text: s.Cause})
	}
	return []block{{Table: t}}
}

// lots returns the lot of every shot, nil when one has none.
func lots(shots []*shot) []string {
	keys := make([]string, len(shots))
	for i, s := range shots {
		if s.Shot.Lot == "" {
			return nil
		}
		keys[i] = s.Shot.Lot
	}
	return keys
}

// numbered is a series of a quantity of shots.
func numbered(shots []*shot, of func(*shot) float64) series.Series {
	s := series.Series{Keys: lots(shots)}
	for _, q := range shots {
		s.Values = append(s.Values, of(q))
	}
	return s
}
