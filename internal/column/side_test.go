package column_test

import (
	"errors"
	"math"
	"testing"

	"plumbsquare/internal/column"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A post is a column of the row as drawn in silhouette: axis foot + tan(tilt)·z + bend·(z/height)².
type post struct {
	missing                  bool
	foot, tilt, bend, height float64 // µm, degrees, µm, µm
}

// sideScene draws a backlit row: substrate, fillets, columns.
func sideScene(w, h int, p *part.Part, s *scope.Scope, pose geom.Pose, sigma float64, posts map[string]post) *scene {
	c := newScene(w, h, s, pose, sigma, 190)
	plane := s.Plane(w, h, 0)
	um := plane.UmPerPx()
	blur := sigma * um
	dark := func(x0, x1 float64, cover func(u, z float64) float64) {
		c.paint(x0, 0, x1, float64(h), func(x, y float64) (float64, float64) {
			d := pose.ToDrawing(plane.ToObject(geom.ImagePoint{X: x, Y: y}))
			return cover(d.X.Um(), d.Y.Um()), 20
		})
	}
	half := 500 * p.Substrate.WidthMm * pose.Scale
	dark(0, float64(w), func(u, z float64) float64 {
		return (phi((half-u)/blur) + phi((half+u)/blur) - 1) * phi(-z/blur)
	})
	list, err := p.Array.Sites()
	if err != nil {
		panic(err)
	}
	r := 500 * p.Array.DiameterMm
	for _, site := range list {
		if site.Row != p.Array.Rows {
			continue
		}
		q := posts[site.Name]
		x := pose.Nominal(site.At).X.Um()
		at, _ := c.at(x, 1100, 0)
		l, r1 := at.X-700/um, at.X+700/um
		dark(l, r1, func(u, z float64) float64 { // the pad with its solder
			top, wide := 60.0, 380.0
			if !q.missing {
				top, wide = 250, 400
			}
			slope := (wide - r) / top
			return phi((wide-max(z, 0)*slope-math.Abs(u-x-q.foot))/blur) * phi((top-z)/blur)
		})
		if q.missing {
			continue
		}
		tan := math.Tan(q.tilt * math.Pi / 180)
		dark(l, r1, func(u, z float64) float64 {
			t := max(z, 0) / q.height
			axis := x + q.foot + tan*z + q.bend*t*t
			slant := math.Cos(math.Atan(tan + 2*q.bend*t/q.height))
			top := q.height + (u-axis)*-math.Sin(math.Atan(tan+2*q.bend/q.height))
			return (phi((r-(u-axis)*slant)/blur) + phi((r+(u-axis)*slant)/blur) - 1) * phi((top-z)/blur)
		})
	}
	return c
}

func row() map[string]post {
	return map[string]post{
		"H2": {foot: 5, tilt: 0.3, height: 2205},
		"H3": {foot: -9, tilt: -0.5, height: 2190},
		"H4": {missing: true},
		"H5": {foot: 2, tilt: 3.4, bend: -60, height: 2200},
		"H6": {foot: 14, tilt: 0, height: 2215},
		"H7": {foot: -3, tilt: -2.6, height: 2185},
		"H8": {foot: 6, tilt: 0.2, bend: 45, height: 2210},
		"H9": {foot: 0, tilt: -0.1, height: 2198},
		// The last site of the row is present, too.
		"H10": {foot: -6, tilt: 0.15, height: 2202},
	}
}

func TestSide(t *testing.T) {
	p := columnPart()
	s := telecentric(8.2)
	for _, turn := range []float64{0.6, -0.4} {
		pose := poseAt(150, -900, turn, 0.997)
		g := sideScene(1480, 560, p, s, pose, 1.0, row()).gray(0.05, 0.02, 1, 1)
		r, err := column.Side(g, noiseModel(1), p, s, 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Array.Sites) != 9 || r.Array.Missing != 1 || r.Array.Present != 8 || r.Array.Tilted != 2 {
			t.Errorf("%d sites, %d missing, %d present, %d tilted; want 9, 1, 8, 2", len(r.Array.Sites), r.Array.Missing, r.Array.Present, r.Array.Tilted)
		}
		if math.Abs(r.Array.Scale-0.997) > 1e-4 || math.Abs(r.Substrate.TurnDeg-turn) > 0.005 {
			t.Errorf("scale %.5f, turn %.4f°; want 0.997, %g°", r.Array.Scale, r.Substrate.TurnDeg, turn)
		}
		posts := row()
		for _, site := range r.Array.Sites {
			q := posts[site.Name]
			if q.missing {
				if site.State != reading.Missing {
					t.Errorf("%s is %s, want missing", site.Name, site.State)
				}
				continue
			}
			if e := site.TiltDeg - q.tilt; math.Abs(e) > 0.06 {
				t.Errorf("%s: tilt %.3f°, want %g°", site.Name, site.TiltDeg, q.tilt)
			}
			tip := q.foot + math.Tan(q.tilt*math.Pi/180)*q.height + q.bend
			if e := site.DXUm - tip; math.Abs(e) > 0.25*8.2 {
				t.Errorf("%s: tip at %.1f µm, want %.1f", site.Name, site.DXUm, tip)
			}
			if math.Abs(site.DiameterUm-510) > 3 {
				t.Errorf("%s: diameter %.1f µm, want 510", site.Name, site.DiameterUm)
			}
		}
		var low float64
		for _, site := range r.Array.Sites {
			c := site.Silhouette
			if c == nil {
				continue
			}
			q := posts[site.Name]
			if math.Abs(c.HeightUm-q.height) > 4 || math.Abs(c.FootUm-q.foot) > 2 || math.Abs(c.BendUm-q.bend) > 3 {
				t.Errorf("%s: height %.1f µm, foot %.1f µm, bend %.1f µm; want %+v", site.Name, c.HeightUm, c.FootUm, c.BendUm, q)
			}
			if c.SeatingUm > 0 {
				t.Errorf("%s stands %.2f µm above the seating line", site.Name, c.SeatingUm)
			}
			low = min(low, c.SeatingUm)
		}
		if r.Array.CoplanarityUm != -low || !(r.Array.UCoplanarityUm > 0) {
			t.Errorf("coplanarity %.2f ± %.2f µm, lowest tip %.2f µm", r.Array.CoplanarityUm, r.Array.UCoplanarityUm, low)
		}
	}
}

// Dust that hangs over a tip isn't the tip, not even over the most of its middle.
func TestDustOverTips(t *testing.T) {
	p := columnPart()
	s := telecentric(8.2)
	posts := row()
	c := sideScene(1480, 560, p, s, poseAt(100, -900, 0.3, 1), 1, posts)
	list, err := p.Array.Sites()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]float64{}
	for _, site := range list {
		q, ok := posts[site.Name]
		if !ok || q.missing || site.Row != p.Array.Rows {
			continue
		}
		tip := q.foot + q.height*math.Tan(q.tilt*math.Pi/180) + q.bend
		want[site.Name] = tip
		if site.Name != "H5" && site.Name != "H8" {
			continue
		}
		for k := range 6 { // a fibre
			at, _ := c.at(c.pose.Nominal(site.At).X.Um()+tip+30*float64(k)-80, q.height+300+50*float64(k), 0)
			c.paint(at.X-9, at.Y-9, at.X+9, at.Y+9, func(x, y float64) (float64, float64) {
				return phi(4 - math.Hypot(x-at.X, y-at.Y)), 30
			})
		}
	}
	r, err := column.Side(c.gray(0, 0, 1, 21), noiseModel(1), p, s, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, site := range r.Array.Sites {
		if w, ok := want[site.Name]; ok && math.Abs(site.DXUm-w) > 0.5*8.2 {
			t.Errorf("%s: tip %.1f µm from its site, want %.1f", site.Name, site.DXUm, w)
		}
	}
}

func TestSideRefuses(t *testing.T) {
	p := columnPart()
	s := telecentric(8.2)
	pose := poseAt(150, -900, 0.3, 1)
	good := func() *picture.Gray { return sideScene(1480, 560, p, s, pose, 1, row()).gray(0, 0, 1, 2) }
	tests := []struct {
		name, gate string
		g          *picture.Gray
		p          *part.Part
	}{
		{"black", "backlight", picture.New(1480, 560, 255), p},
		{"tiny", "field", picture.New(20, 3, 255), p},
		{"moved out of the picture", "outline-out", sideScene(1480, 560, p, s, poseAt(4000, -900, 0, 1), 1, row()).gray(0, 0, 1, 3), p},
		{"other substrate", "other-part", good(), func() *part.Part {
			p := columnPart()
			p.Substrate.WidthMm = 12.5
			return p
		}()},
		{"other pitch", "array-mismatch", good(), func() *part.Part {
			p := columnPart()
			p.Array.PitchMm = 1.02
			return p
		}()},
		{"quite another pitch", "array-mismatch", good(), func() *part.Part {
			p := columnPart()
			p.Array.PitchMm = 0.9
			return p
		}()},
		{"nothing stands", "array-mismatch", sideScene(1480, 560, p, s, pose, 1, func() map[string]post {
			all := row()
			for k := range all {
				all[k] = post{missing: true}
			}
			return all
		}()).gray(0, 0, 1, 4), p},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := column.Side(tt.g, noiseModel(1), tt.p, s, 0)
			refusal, ok := errors.AsType[*reading.Refusal](err)
			if !ok || refusal.Gate != tt.gate {
				t.Errorf("got %v, want a refusal by %q", err, tt.gate)
			}
		})
	}
}
