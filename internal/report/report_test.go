package report_test

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/scope"
)

func seq(rs ...*reading.Reading) iter.Seq2[*reading.Reading, error] {
	return func(yield func(*reading.Reading, error) bool) {
		for _, r := range rs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

func shot(i int, view reading.View, decision reading.Decision) *reading.Reading {
	r := &reading.Reading{Schema: reading.Schema}
	r.Source = reading.Source{Picture: fmt.Sprintf("lots/shot-%03d.png", i), Part: "tern", PartHash: "0123456789abcdef", Scope: "bench1", ScopeHash: "fedcba9876543210", Program: "1.0", OpenCV: "4.6.0"}
	r.Shot = reading.Shot{
		View: view, Lot: fmt.Sprintf("L%02d", i/4), Sample: fmt.Sprint(i), Head: fmt.Sprintf("H%d", i%3+1),
		TakenAt: time.Date(2031, 3, 4, 6, 0, 0, 0, time.UTC).Add(time.Duration(i) * 7 * time.Minute).Format(time.RFC3339),
	}
	r.Verdict.Decision = decision
	return r
}

// die is a reading of a die; wave stands for chance.
func die(i int) *reading.Reading {
	r := shot(i, reading.DiePlan, reading.Accept)
	wave := float64(i*37%19) - 9
	r.Offset = &reading.Offset{Of: "die", XUm: wave, YUm: 3 - wave/2 + float64(i%5), ThetaDeg: wave / 100, UXUm: 0.4, UYUm: 0.4, UTheta: 0.002}
	return r
}

func columns(i int, missing ...string) *reading.Reading {
	r := shot(i, reading.ColumnPlan, reading.Accept)
	r.Array = &reading.Array{Kind: "columns"}
	for row := 1; row <= 8; row++ {
		for column := 1; column <= 10; column++ {
			s := reading.Site{Name: part.SiteName(row, column), State: reading.Present}
			for _, m := range missing {
				if m == s.Name {
					s.State = reading.Missing
				}
			}
			if s.State == reading.Missing {
				r.Array.Missing++
			} else {
				r.Array.Present++
			}
			r.Array.Sites = append(r.Array.Sites, s)
		}
	}
	if len(missing) > 0 {
		r.Verdict.Decision = reading.Reject
		r.Verdict.Reasons = []reading.Reason{{What: "missing", Decision: reading.Reject, Value: float64(len(missing)), Text: fmt.Sprintf("%d columns are missing, 0 allowed: %s", len(missing), strings.Join(missing, ", "))}}
	}
	return r
}

// aDay is 40 dies, of which one is rejected, one in review and two to be retaken, and 12 arrays, of
// which three lack columns.
func aDay() (rs []*reading.Reading) {
	for i := range 40 {
		rs = append(rs, die(i))
	}
	rs[31].Offset.XUm = 140
	rs[31].Verdict = reading.Verdict{Decision: reading.Reject, Reasons: []reading.Reason{{What: "offset_x_um", Decision: reading.Reject, Value: 140, Limit: 100, Text: `X, 140 µm, is beyond its limit of 100 µm <b>&amp;</b>`}}}
	rs[33].Verdict = reading.Verdict{Decision: reading.Review, Reasons: []reading.Reason{{What: "offset_y_um", Decision: reading.Review, Text: "Y is too close to tell from its limit"}}}
	for _, i := range []int{5, 6} {
		rs[i].Offset = nil
		rs[i].Verdict.Decision = reading.Retake
		rs[i].Refusal = &reading.Refusal{Gate: "saturated", Got: 3, Limit: 1, Unit: "%", Instruction: "lower the light"}
	}
	for i := range 12 {
		var missing []string
		switch i {
		case 3:
			missing = []string{"C4", "D5"}
		case 7, 8:
			missing = []string{"C4"}
		}
		rs = append(rs, columns(40+i, missing...))
	}
	return rs
}

func tern(t *testing.T) map[string]*part.Part {
	t.Helper()
	const file = "../../examples/parts/tern.yaml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := part.Load(data, file)
	if err != nil {
		t.Fatal(err)
	}
	return map[string]*part.Part{"tern": p}
}

func overlay(t *testing.T, w, h int) *fstest.MapFile {
	t.Helper()
	m := image.NewGray(image.Rect(0, 0, w, h))
	m.Set(3, 3, color.White)
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return &fstest.MapFile{Data: b.Bytes()}
}

// write returns the report of readings; with -artifacts it is kept to be looked at.
func write(t *testing.T, o report.Options, rs ...*reading.Reading) string {
	t.Helper()
	var b bytes.Buffer
	r, err := report.New(seq(rs...), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.HTML(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), "report.html"), b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var (
	reference = regexp.MustCompile(`(?i)\b(src|href|srcset|action|data|poster|xlink:href)\s*=\s*["']?([^"'\s>]*)`)
	inCSS     = regexp.MustCompile(`(?i)url\(\s*["']?([^"')]*)|@import`)
)

// checkSelfContained fails when the page would load anything.
func checkSelfContained(t *testing.T, page string) {
	t.Helper()
	for _, m := range reference.FindAllStringSubmatch(page, -1) {
		if target := m[2]; !strings.HasPrefix(target, "#") && !strings.HasPrefix(target, "data:image/jpeg;base64,") && !strings.HasPrefix(target, "data:text/csv;") {
			t.Errorf("the page refers to %.80s", m[0])
		}
		if id, ok := strings.CutPrefix(m[2], "#"); ok && !strings.Contains(page, `id="`+id+`"`) {
			t.Errorf("the page refers to %s, which it doesn't have", m[2])
		}
	}
	for _, m := range inCSS.FindAllString(page, -1) {
		t.Errorf("the style refers to %q", m)
	}
	for _, tag := range []string{"<script", "<link", "<iframe", "<object", "<embed", "<use", "ZgotmplZ"} {
		if strings.Contains(page, tag) {
			t.Errorf("the page has %s", tag)
		}
	}
}

func TestReport(t *testing.T) {
	o := report.Options{
		Title: "Night of 4 March", Parts: tern(t), Program: "1.0", Written: time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC),
		Overlays: fstest.MapFS{"shot-031.overlay.png": overlay(t, 2000, 1000), "lots_shot-043.png.overlay.png": overlay(t, 300, 200), "shot-047.overlay.png": {Data: []byte("no picture")}, "lots/shot-033.png.overlay.png": overlay(t, 40, 30)},
	}
	page := write(t, o, aDay()...)
	checkSelfContained(t, page)

	// Counts agree everywhere they stand: tiles, readings, flagged.
	want := map[string]int{"accept": 52 - 4 - 1 - 2, "reject": 4, "review": 1, "retake": 2}
	for decision, n := range want {
		if tile := fmt.Sprintf(`data-verdict="%s"><strong>%d</strong>`, decision, n); !strings.Contains(page, tile) {
			t.Errorf("no tile counts %d %s", n, decision)
		}
		if got := strings.Count(page, `<tr data-row="reading"><td><span class="verdict `+decision+`"`); got != n {
			t.Errorf("the readings list %d %s, want %d", got, decision, n)
		}
	}
	for decision, n := range map[string]int{"reject": 4, "review": 1} {
		if got := strings.Count(page, `data-flagged="`+decision+`"`); got != n {
			t.Errorf("%d flagged as %s, want %d", got, decision, n)
		}
	}
	for _, text := range []string{
		"<title>Night of 4 March</title>",
		"52 pictures of 13 lots, taken 2031-03-04 06:00 to 11:57",
		"Needs attention: 4 rejected, 1 in review, ", "1 site fails again and again, 2 to be taken again",
		"Look at the 4 rejects of lots L07, L10, L11",
		"Columns of tern: 3 of 12 rejected; missing sites in 3", "Die of tern: 1 of 38 rejected; offset X in 1", "Die of tern: 1 of 38 in review; offset Y in 1",
		"C4 (missing in 3 of 12)",
		"Take 2 pictures again (saturated): lower the light",
		`<td>tern</td><td>die-plan</td><td class="n">36</td><td class="n">1</td><td class="n">1</td><td class="n">2</td><td class="n">40</td></tr>`,
		`<td>C4</td><td>missing</td><td class="n">3 of 12</td>`, "lots L10 (1), L11 (1), L12 (1); heads H1 (1), H2 (1), H3 (1)",
		"beyond its limit of 100 µm &lt;b&gt;&amp;amp;&lt;/b&gt;",
		"shot-005.png, shot-006.png",
		"Control chart of offset X, Die of part tern, die-plan",
		"Control chart of rotation θ",
		"Control chart of missing columns per 1000 sites", "Control chart of faulty columns per 1000 sites",
		"Control chart of fraction not accepted, Die of part tern",
		"Map of the columns, Columns of part tern, column-plan: C4 missing, D5 missing",
		"by head: head H1, head H2, head H3",
		"Nelson 1 at point",
		"Ppk", "limits −100 to 100 µm", "Corrections to the placer", "Offsets with their intervals and the corrections they call for",
		"the overlay of shot-047 can&#39;t be read", "no overlay shot-048.overlay.png",
		"it does not release product", "lead", "electrostatic discharge", "local codes",
		"Written 2031-03-05 06:00 UTC by inspect 1.0",
	} {
		if !strings.Contains(page, text) {
			t.Errorf("the page doesn't say %q", text)
		}
	}
	if n := strings.Count(page, "<svg viewBox=\"0 0 10 10\" aria-hidden"); n == 0 {
		t.Error("no icons")
	}
	// Of dies the fraction not accepted, three control charts and histograms, the corrections, and the scatter; of
	// columns two charts of counts, the map, and the heat of C4.
	if got, want := strings.Count(page, `role="img" aria-label="`), 1+3+3+1+1+2+1+1; got != want {
		t.Errorf("%d charts, want %d", got, want)
	}
	checkOverlays(t, page)

	if again := write(t, o, aDay()...); again != page {
		t.Error("the same readings give another page")
	}
}

// checkOverlays wants three, the largest one scaled down.
func checkOverlays(t *testing.T, page string) {
	t.Helper()
	images := regexp.MustCompile(`<img src="data:image/jpeg;base64,([^"]*)" width="\d+" height="\d+" alt="([^"]+)">`).FindAllStringSubmatch(page, -1)
	if len(images) != 3 {
		t.Fatalf("%d overlays with alternative texts, want 3", len(images))
	}
	for i, want := range []image.Point{{720, 360}, {300, 200}, {40, 30}} {
		text := strings.NewReplacer("&#43;", "+", "&#61;", "=").Replace(images[i][1])
		data, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		config, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil || config.Width != want.X || config.Height != want.Y {
			t.Errorf("overlay %d: %d × %d, %v, want %v", i, config.Width, config.Height, err, want)
		}
	}
}

// A page must come of however little there is.
func TestFewReadings(t *testing.T) {
	retake := shot(1, reading.DiePlan, reading.Retake)
	retake.Refusal = &reading.Refusal{Gate: "defocus", Instruction: "focus"}
	bare := &reading.Reading{Schema: reading.Schema, Verdict: reading.Verdict{Decision: reading.Accept}}
	empty := columns(2)
	empty.Array.Sites, empty.Array.Present = nil, 0
	side := columns(3)
	side.Shot.View = reading.ColumnSide
	alike := make([]*reading.Reading, 6)
	for i := range alike {
		alike[i] = die(0)
	}
	for _, c := range []struct {
		name string
		rs   []*reading.Reading
		want string
	}{
		{"one", []*reading.Reading{die(1)}, "1 measured sample: a control chart needs at least 5"},
		{"two", []*reading.Reading{die(1), die(2)}, "2 measured samples: a control chart needs at least 5"},
		{"one array", []*reading.Reading{columns(1)}, "1 sample of 80 sites"},
		{"retake only", []*reading.Reading{retake}, "Take 1 picture again (defocus): focus"},
		{"bare", []*reading.Reading{bare}, "Nothing needs attention"},
		{"no site", []*reading.Reading{empty}, "1 measured sample"},
		{"from the side", []*reading.Reading{side}, "1 sample of 80 sites, seen from the side"},
		{"all alike", alike, "No chart of offset X: "},
	} {
		page := write(t, report.Options{Overlays: fstest.MapFS{}}, c.rs...)
		checkSelfContained(t, page)
		if !strings.Contains(page, c.want) {
			t.Errorf("%s: the page doesn't say %q", c.name, c.want)
		}
	}
}

func TestNewErrors(t *testing.T) {
	if _, err := report.New(seq(), report.Options{}); err == nil {
		t.Error("a report of nothing")
	}
	broken := errors.New("r.jsonl:2: not a reading")
	readings := func(yield func(*reading.Reading, error) bool) { _ = yield(die(1), nil) && yield(nil, broken) }
	if _, err := report.New(readings, report.Options{}); !errors.Is(err, broken) {
		t.Errorf("got error %v", err)
	}
	if _, err := report.New(seq(die(1)), report.Options{Before: readings}); !errors.Is(err, broken) {
		t.Errorf("got error %v of earlier readings", err)
	}
	if _, err := report.New(seq(die(1)), report.Options{Table: full{}}); !errors.Is(err, fs.ErrPermission) {
		t.Errorf("got error %v from a full disk", err)
	}
	r, err := report.New(seq(die(1)), report.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.HTML(full{}); !errors.Is(err, fs.ErrPermission) {
		t.Errorf("HTML: got error %v from a full disk", err)
	}
	if err := r.PDF(full{}); !errors.Is(err, fs.ErrPermission) {
		t.Errorf("PDF: got error %v from a full disk", err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, fs.ErrPermission }

// What wasn't measured is told of by reason, and what waits for its turn needs nobody's attention.
func TestNotMeasured(t *testing.T) {
	o := report.Options{Waiting: 3, NotMeasured: []report.NotMeasured{
		{Picture: "in/a.png", Reason: "half a file: copy it again"}, {Picture: "in/b.png", Reason: "no traveler names it"}, {Picture: "c.png", Reason: "no traveler names it"},
	}}
	page := write(t, o, die(1))
	for _, want := range []string{"2 pictures not read: no traveler names it", "1 picture not read: half a file", "3 pictures wait for their turn", "See to 3 pictures that were set aside or wait", "<td>a.png</td>"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	r, err := report.New(seq(die(1)), report.Options{Waiting: 3})
	if err != nil {
		t.Fatal(err)
	}
	if o := r.Outcome(); o.Attention {
		t.Errorf("pictures that wait: %+v", o)
	}
}

// A calibration that ran out puts everything in doubt; one that soon will is announced.
func TestCalibration(t *testing.T) {
	const file = "../../examples/scopes/bench-1.yaml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	s, err := scope.Load(data, file)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name      string
		expires   time.Time
		want      string
		attention bool
	}{
		{"ran out", time.Date(2031, 3, 1, 0, 0, 0, 0, time.UTC), "Calibrate scope bench1: its calibration ran out on 2031-03-01", true},
		{"soon", time.Date(2031, 3, 10, 0, 0, 0, 0, time.UTC), "Plan to calibrate scope bench1: its calibration runs out on 2031-03-10", false},
		{"later", time.Date(2032, 3, 1, 0, 0, 0, 0, time.UTC), "<td>2032-03-01</td>", false},
		{"not stated", time.Time{}, "no expiry stated", false},
	} {
		s.Expires = c.expires
		o := report.Options{Scopes: map[string]*scope.Scope{"bench1": s}, Written: time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC)}
		if page := write(t, o, die(1)); !strings.Contains(page, c.want) {
			t.Errorf("%s: the page doesn't say %q", c.name, c.want)
		}
		r, err := report.New(seq(die(1)), o)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Outcome().Attention; got != c.attention {
			t.Errorf("%s: attention %v, want %v", c.name, got, c.attention)
		}
	}
}

// Columns that lean one way are said to, bridged and doubled balls have names of their own.
func TestLeansAndBridges(t *testing.T) {
	var rs []*reading.Reading
	for i := range 8 {
		r := columns(i)
		for k := range 3 {
			s := &r.Array.Sites[7*i+k]
			s.State, s.AzimuthDeg = reading.Tilted, 40+float64(10*k)
		}
		r.Array.LeanDeg, r.Array.LeanAzimuthDeg, r.Array.Tilted = 0.3, float64(45*i), 3
		rs = append(rs, r)
	}
	page := write(t, report.Options{}, rs...)
	for _, want := range []string{
		"24 columns lean beyond the limit, mostly toward 50° (counter-clockwise from +X; mean length 0.99, Rayleigh test, p = &lt; 0.0001)",
		"8 arrays lean as a whole, without a direction in common", "tilted: 24 sites",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	r := columns(1)
	r.Shot.View, r.Array.Kind, r.Array.Bridged, r.Array.Doubled = reading.BallPlan, "balls", 2, 1
	r.Array.Sites[3].State, r.Array.Sites[4].State, r.Array.Sites[40].State = reading.Bridged, reading.Bridged, reading.Doubled
	page = write(t, report.Options{}, r)
	for _, want := range []string{"A4 bridged, A5 bridged, E1 doubled", "bridged or doubled: 3 sites", "2 bridged, 1 doubled"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
}

// Side views have charts of their own: how far tips lie below the seating plane, heights, bends.
func TestSideViews(t *testing.T) {
	var rs []*reading.Reading
	for i := range 12 {
		r := columns(i)
		r.Shot.View = reading.ColumnSide
		r.Array.Sites = r.Array.Sites[70:]
		r.Array.CoplanarityUm = 20 + float64(i*7%5)
		for k := range r.Array.Sites {
			r.Array.Sites[k].Silhouette = &reading.Silhouette{HeightUm: 2200 + float64(i*5%7), BendUm: float64(k-5) * (1 + float64(i%3)/10)}
		}
		rs = append(rs, r)
	}
	p := tern(t)
	p["tern"].Limits.CoplanarityUm = 150
	page := write(t, report.Options{Parts: p}, rs...)
	for _, want := range []string{"Control chart of coplanarity", "Control chart of mean height", "Control chart of worst bend", "limits at most 150 µm", "12 samples of 10 sites, seen from the side"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
}
