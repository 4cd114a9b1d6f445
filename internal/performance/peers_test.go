package performance

import (
	"math"
	"os"
	"testing"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

func load(tb testing.TB, name string) *part.Part {
	tb.Helper()
	data, err := os.ReadFile("../../" + PartDir + "/" + name + ".yaml")
	if err != nil {
		tb.Fatal(err)
	}
	p, err := part.Load(data, name)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// A comparison is only fair while the scripts do what such scripts can: on clean pictures find
// everything, to within half a pixel.
func TestPeersAreGoodOnCleanPictures(t *testing.T) {
	pics, err := Draw(load(t, "tern"), reading.DiePlan, 2, 900, true, 5)
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, s Score, rms float64) {
		t.Helper()
		if s.Wanted == 0 || s.Returned != s.Wanted || !(s.RMSPx < rms) {
			t.Errorf("%s: %+v, want all within %v px RMS", what, s, rms)
		}
	}
	for name, find := range map[string]markFinder{"template": templateMarks, "moments": momentMarks} {
		truth := func(p *Picture) map[string]geom.ImagePoint { return p.Marks }
		check(name, places(pics, truth, []placeMethod{{name, find}})[0], 0.35)
		check(name+" and rectangle", offsets(pics, []offsetMethod{{name, func(p *Picture) *Offset { return rectangleOffset(p, find) }}})[0], 0.35)
	}
	balls, err := Draw(load(t, "wren"), reading.BallPlan, 1, 900, true, 6)
	if err != nil {
		t.Fatal(err)
	}
	truth := func(p *Picture) map[string]geom.ImagePoint { return p.Sites }
	for _, s := range places(balls, truth, []placeMethod{{"moments", momentSites}, {"circles", circleSites}}) {
		check(s.Method, s, 0.7)
	}
}

func TestSimilarity(t *testing.T) {
	p := load(t, "tern")
	pics, err := Draw(p, reading.DiePlan, 1, 600, true, 7)
	if err != nil {
		t.Fatal(err)
	}
	want := geom.Pose{Origin: geom.ScopePoint{X: 123, Y: -77}, Turn: 2 * geom.Degree, Scale: 1.002}
	plane := pics[0].Scope.Plane(pics[0].Gray.W, pics[0].Gray.H, p.Marks.PlaneMm)
	seen := map[string]geom.ImagePoint{}
	for _, at := range p.Marks.At {
		seen[at.Name] = plane.ToImage(want.ToScope(at.Point()))
	}
	got, ok := similarity(p.Marks.At, seen, plane)
	if !ok || math.Abs((got.Origin.X-want.Origin.X).Um()) > 1e-6 || math.Abs((got.Origin.Y-want.Origin.Y).Um()) > 1e-6 ||
		math.Abs((got.Turn-want.Turn).Deg()) > 1e-9 || math.Abs(got.Scale-want.Scale) > 1e-9 {
		t.Errorf("got %+v, want %+v", got, want)
	}
	for name := range seen {
		if len(seen) > 1 {
			delete(seen, name)
		}
	}
	if _, ok := similarity(p.Marks.At, seen, plane); ok {
		t.Error("a pose from one mark")
	}
}

func TestScoreCounts(t *testing.T) {
	s := (&tally{wanted: 5, errors: []float64{0.3, -0.4, 3}}).score("x")
	if s.Returned != 3 || s.Gross != 1 || s.WorstPx != 3 || math.Abs(s.RMSFinePx-math.Sqrt(0.125)) > 1e-12 || math.Abs(s.RMSPx-math.Sqrt(9.25/3)) > 1e-12 {
		t.Errorf("got %+v", s)
	}
}
