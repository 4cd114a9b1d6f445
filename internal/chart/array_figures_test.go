package chart

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

// arrayFigures are maps of arrays, of the sizes that there are, and roses.
func arrayFigures(t testing.TB) map[string]Figure {
	t.Helper()
	r := rand.New(rand.NewPCG(3, 1))
	array := func(rows, columns int) (m []MapSite, h []HeatSite) {
		for _, s := range someSites(rows, columns) {
			q := MapSite{Row: s.Row, Column: s.Column, RowName: s.RowName, X: 9 * r.NormFloat64(), Y: 9 * r.NormFloat64()}
			switch v := r.Float64(); {
			case v < 0.006:
				q.State = SiteMissing
			case v < 0.012:
				q.State, q.X, q.Y = SiteTilted, 90, -60
			case v < 0.018:
				q.State, q.X, q.Y = SiteOff, -80, 130
			case v < 0.021:
				q.State = SiteJoined
			case v < 0.024:
				q.State = SiteUnseen
			}
			m = append(m, q)
			f := s.Missing + s.Tilted + s.Away
			h = append(h, HeatSite{Row: s.Row, Column: s.Column, RowName: s.RowName, Failed: f, Looked: 14, Repeated: f > 4})
		}
		return m, h
	}
	m32, h32 := array(32, 32)
	m50, h50 := array(50, 50)
	m4, h4 := array(4, 7)
	var lean, any []float64
	for range 60 {
		lean, any = append(lean, 130+25*r.NormFloat64()), append(any, 360*r.Float64())
	}
	return map[string]Figure{
		"array map":       ArrayMap{Title: "Columns of part tern, sample 7", Notes: []string{"lot K203"}, Sites: m32},
		"array map 50":    ArrayMap{Title: "Columns", Sites: m50},
		"array map small": ArrayMap{Title: "Columns", Sites: m4, Leans: true},
		"heat":            Heat{Title: "Missing columns of part tern", Notes: []string{"14 samples, 1004 sites"}, Sites: h32},
		"heat 50":         Heat{Title: "Missing columns", Sites: h50},
		"heat small":      Heat{Title: "Missing balls", Sites: h4},
		"rose":            Rose{Title: "Directions of leans", Notes: []string{"part tern, 14 samples"}, Deg: lean, MeanDeg: 130, Length: 0.9, P: 1e-9, Common: true},
		"rose even":       Rose{Title: "Directions of leans", Notes: []string{"part tern"}, Deg: any, MeanDeg: 12, Length: 0.1, P: 0.61},
	}
}

// The shares of a heat map must be told in grey as well: each darker than the one before.
func TestHeatDarkens(t *testing.T) {
	before := math.Inf(1)
	for i := range 101 {
		c := heatInk(float64(i) / 100)
		// Relative luminance after ITU-R BT.709, without the gamma, which keeps the order of a ramp's ends.
		l := 0.2126*float64(c.R) + 0.7152*float64(c.G) + 0.0722*float64(c.B)
		if l >= before {
			t.Fatalf("share %d %%: luminance %.1f, not below %.1f", i, l, before)
		}
		before = l
	}
}

func TestArrayFiguresNeedSomething(t *testing.T) {
	for _, f := range []Figure{ArrayMap{}, Heat{}, Rose{}, Rose{Deg: []float64{math.NaN()}}} {
		if err := Write(new(bytes.Buffer), f, "png"); err == nil {
			t.Errorf("%T: nothing to draw and no error", f)
		}
	}
}
