package measure_test

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A change turns a picture, and what was drawn on it, into another one of which it is known what it
// must read. Some change the noise as well and may move a value by some of its uncertainty; the others
// leave the same pixels and hardly may.
type change struct {
	name   string
	do     func(*picture.Gray, *part.Part, *scope.Scope) *picture.Gray
	signs  [3]float64 // of X, Y and θ
	within float64    // standard uncertainties
}

// changes lists what is done to every picture. noise is drawn from rng.
func changes(rng *rand.Rand) []change {
	same := [3]float64{1, 1, 1}
	levels := func(f func(x, y int, level float64) float64) func(*picture.Gray, *part.Part, *scope.Scope) *picture.Gray {
		return func(g *picture.Gray, _ *part.Part, _ *scope.Scope) *picture.Gray {
			out := picture.New(g.W, g.H, g.FullScale)
			for i, v := range g.Pix {
				out.Pix[i] = uint16(min(max(math.Round(f(i%g.W, i/g.W, float64(v))), 0), float64(g.FullScale)))
			}
			return out
		}
	}
	return []change{
		{"16 bits", func(g *picture.Gray, _ *part.Part, _ *scope.Scope) *picture.Gray {
			out := picture.New(g.W, g.H, 65535)
			for i, v := range g.Pix {
				out.Pix[i] = v << 8
			}
			return out
		}, same, 0.5}, // what is found coarsely differs a little, and fits end within 0.1 u
		{"mirrored", func(g *picture.Gray, p *part.Part, _ *scope.Scope) *picture.Gray {
			mirror(p, -1, 1)
			return moved(g, func(x, y int) (int, int) { return g.W - 1 - x, y })
		}, [3]float64{-1, 1, -1}, 1.2},
		{"turned by 180°", func(g *picture.Gray, p *part.Part, _ *scope.Scope) *picture.Gray {
			mirror(p, -1, -1)
			return moved(g, func(x, y int) (int, int) { return g.W - 1 - x, g.H - 1 - y })
		}, [3]float64{-1, -1, 1}, 1.2},
		{"less light", levels(func(_, _ int, v float64) float64 { return 0.7 * v }), same, 1.5},
		{"stray light", levels(func(_, _ int, v float64) float64 { return 14 + 0.9*v }), same, 1.5},
		{"uneven light", levels(func(x, y int, v float64) float64 { return v * (0.75 + 0.25*float64(x)/1200 - 0.15*float64(y)/1200) }), same, 2},
		{"more noise", levels(func(_, _ int, v float64) float64 { return v + 1.5*rng.NormFloat64() }), same, 3},
		{"half the pixels", func(g *picture.Gray, _ *part.Part, sc *scope.Scope) *picture.Gray {
			sc.UmPerPxX *= 2
			sc.UmPerPxY *= 2
			return binned(g)
		}, same, 2.5},
	}
}

// mirror changes the sign of a drawing's x, its y or both. The drawings here have square arrays
// without absent sites, which stay as they are.
func mirror(p *part.Part, x, y float64) {
	places := func(m *part.Marks) *part.Marks {
		if m == nil {
			return nil
		}
		c := *m
		c.At = slices.Clone(m.At)
		for i := range c.At {
			c.At[i].XMm *= x
			c.At[i].YMm *= y
		}
		return &c
	}
	p.Marks = places(p.Marks)
	p.Orientation.XMm, p.Orientation.YMm = x*p.Orientation.XMm, y*p.Orientation.YMm
	if p.Die != nil {
		d := *p.Die
		d.XMm, d.YMm, d.Marks = x*d.XMm, y*d.YMm, places(d.Marks)
		p.Die = &d
	}
	if p.Cap != nil {
		c := *p.Cap
		c.XMm, c.YMm = x*c.XMm, y*c.YMm
		p.Cap = &c
	}
}

// moved returns a picture whose pixel (x, y) is that of g at from(x, y).
func moved(g *picture.Gray, from func(x, y int) (int, int)) *picture.Gray {
	out := picture.New(g.W, g.H, g.FullScale)
	for i := range out.Pix {
		x, y := from(i%g.W, i/g.W)
		out.Pix[i] = g.Pix[y*g.W+x]
	}
	return out
}

// binned returns a picture of half the sides: each pixel the mean of four. The sides are even.
func binned(g *picture.Gray) *picture.Gray {
	out := picture.New(g.W/2, g.H/2, g.FullScale)
	for i := range out.Pix {
		at := 2*(i/out.W)*g.W + 2*(i%out.W)
		sum := int(g.Pix[at]) + int(g.Pix[at+1]) + int(g.Pix[at+g.W]) + int(g.Pix[at+g.W+1])
		out.Pix[i] = uint16((sum + 2) / 4)
	}
	return out
}

// example returns an example part.
func example(t *testing.T, name string) *part.Part {
	t.Helper()
	b, err := os.ReadFile("../../examples/parts/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := part.Load(b, name+".yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A picture that is changed as cameras, lamps and drawings may change it reads the same.
func TestChangedPicturesReadTheSame(t *testing.T) {
	for _, tt := range []struct {
		part  string
		view  reading.View
		width int
		seed  uint64
	}{
		{"tern", reading.DiePlan, 1152, 3},
		{"wren", reading.DiePlan, 1024, 5},
		{"plover", reading.DieIR, 1408, 2},
		{"tern", reading.CapPlan, 1600, 4},
	} {
		t.Run(tt.part+" "+string(tt.view), func(t *testing.T) {
			t.Parallel()
			p, rng := example(t, tt.part), rand.New(rand.NewPCG(tt.seed, 1))
			sc := synth.RandomScope("bench", p, tt.view, tt.width, rng)
			scene := synth.Random(p, sc, tt.view, rng)
			g, _, err := synth.Draw(scene, rng)
			if err != nil {
				t.Fatal(err)
			}
			shoot := func(g *picture.Gray, p *part.Part, sc *scope.Scope) *reading.Offset {
				r, err := measure.Shot(g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: tt.view}, Today: sc.Calibrated})
				if err != nil {
					t.Fatal(err)
				}
				if r.Refusal != nil {
					t.Error(r.Refusal)
					return nil
				}
				return r.Offset
			}
			was := shoot(g, p, sc)
			if was == nil {
				return
			}
			for _, c := range changes(rng) {
				q, to := *p, *sc
				is := shoot(c.do(g, &q, &to), &q, &to)
				if is == nil {
					t.Errorf("%s: refused", c.name)
					continue
				}
				for i, v := range [3][3]float64{
					{was.XUm, is.XUm, max(was.UXUm, is.UXUm)}, {was.YUm, is.YUm, max(was.UYUm, is.UYUm)}, {was.ThetaDeg, is.ThetaDeg, max(was.UTheta, is.UTheta)},
				} {
					if off := (v[1] - c.signs[i]*v[0]) / v[2]; !(math.Abs(off) <= c.within) {
						t.Errorf("%s: %s reads %.4g, was %.4g ± %.2g: off by %.2f u, want %.2f", c.name, [3]string{"X", "Y", "θ"}[i], v[1], v[0], v[2], off, c.within)
					}
				}
			}
		})
	}
}

// array returns an invented part with columns or balls.
func array(kind string) *part.Part {
	p := &part.Part{
		Name: "dotterel", Substrate: part.Substrate{WidthMm: 16.5, HeightMm: 14.5, ThicknessMm: 1.5}, Orientation: part.Orientation{By: "fixture"},
		Array: &part.Array{Kind: kind, Rows: 12, Columns: 14, PitchMm: 1.1, DiameterMm: 0.5, HeightMm: 2, PadMm: 0.75, Datum: "outline"},
	}
	if kind == "balls" { // measured from marks
		p.Array.DiameterMm, p.Array.HeightMm, p.Array.EquatorMm, p.Array.PadMm, p.Array.Datum = 0.7, 0.58, 0.2, 0.6, "marks"
		p.Substrate.WidthMm, p.Substrate.HeightMm = 19, 17
		p.Marks = &part.Marks{Shape: part.Ring, DiameterMm: 0.6, InnerMm: 0.3, At: []part.Place{{Name: "F1", XMm: -8.6, YMm: 7.6}, {Name: "F2", XMm: 8.6, YMm: 7.6}, {Name: "F3", XMm: 8.6, YMm: -7.6}}}
	}
	return p
}

// The sites of a changed picture are in the same state, and whatever is there lies in the same place.
func TestChangedArraysReadTheSame(t *testing.T) {
	for _, tt := range []struct {
		kind string
		view reading.View
		seed uint64
	}{
		{"columns", reading.ColumnPlan, 3},
		{"balls", reading.BallPlan, 2},
	} {
		t.Run(tt.kind, func(t *testing.T) {
			t.Parallel()
			p, rng := array(tt.kind), rand.New(rand.NewPCG(tt.seed, 1))
			sc := synth.RandomScope("bench", p, tt.view, 1024, rng)
			scene := synth.Random(p, sc, tt.view, rng)
			g, truth, err := synth.Draw(scene, rng)
			if err != nil {
				t.Fatal(err)
			}
			is := map[string]synth.SiteTruth{}
			for _, s := range truth.Sites {
				is[s.Site] = s
			}
			for _, c := range append(changes(rng), change{name: "nothing", do: func(g *picture.Gray, _ *part.Part, _ *scope.Scope) *picture.Gray { return g }, signs: [3]float64{1, 1, 1}}) {
				q, to := *p, *sc
				r := mustShoot(t, c.do(g, &q, &to), measure.Job{Part: &q, Scope: &to, Shot: reading.Shot{View: tt.view}, Today: sc.Calibrated})
				if r.Refusal != nil {
					t.Errorf("%s: %v", c.name, r.Refusal)
					continue
				}
				for _, s := range r.Array.Sites {
					row, column, err := part.ParseSite(s.Name)
					if err != nil {
						t.Fatal(err)
					}
					if c.signs[0] < 0 {
						column = p.Array.Columns + 1 - column
					}
					if c.signs[1] < 0 {
						row = p.Array.Rows + 1 - row
					}
					want := is[part.SiteName(row, column)]
					if gone := s.State == reading.Missing; gone != (want.State == reading.Missing) {
						t.Errorf("%s: %s, which was %s, is %s; it is %s", c.name, s.Name, want.Site, s.State, want.State)
						continue
					}
					if want.DXUm == nil || want.State == reading.Bridged || want.State == reading.Doubled {
						continue
					}
					if off := math.Hypot(s.DXUm-c.signs[0]**want.DXUm, s.DYUm-c.signs[1]**want.DYUm) / to.UmPerPxX; off > 0.7 {
						t.Errorf("%s: %s (%s) is %.2f px off", c.name, s.Name, want.State, off)
					}
				}
			}
		})
	}
}
