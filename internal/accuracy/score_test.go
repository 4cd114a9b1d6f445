package accuracy

import (
	"fmt"
	"math"
	"testing"
)

// planted returns ten dies and an array of forty columns with what a perfect program says of them.
func planted() ([]Truth, map[string]Measured) {
	nan := math.NaN()
	var truths []Truth
	for i := range 10 {
		part := "p"
		if i >= 6 {
			part = "q"
		}
		f := float64(i)
		truths = append(truths, Truth{Image: fmt.Sprint("d", i), Part: part, View: "die-plan", UmPerPx: 10, LeverUm: 6000,
			Offset: [3]float64{3*f - 7, 2.5 - f, 0.01 * f}, Bound: [3]float64{0.5, 0.25, 0.001}, BoundKnown: [3]float64{nan, nan, nan}})
	}
	truths[9].Offset[2] = 179.99
	array := Truth{Image: "c0", Part: "p", View: "column-plan", UmPerPx: 20, LeverUm: 5000,
		Offset: [3]float64{5, -5, 0.1}, Bound: [3]float64{nan, nan, nan}, BoundKnown: [3]float64{nan, nan, nan}}
	for i := range 40 {
		s := Site{Name: fmt.Sprint("A", i+1), State: "missing", DXUm: nan, DYUm: nan, TiltDeg: nan, Azimuth: nan, DiameterUm: nan, BoundX: nan, BoundY: nan}
		if i >= 4 {
			s.State, s.DXUm, s.DYUm, s.DiameterUm = "present", float64(i), -float64(i), 510
			s.TiltDeg, s.Azimuth = 0.5, 20
			switch {
			case i < 14:
				s.TiltDeg = 3
			case i < 16:
				s.TiltDeg = 2.1
			}
			if i%2 == 1 {
				s.Azimuth = 350
			}
		}
		array.Sites = append(array.Sites, s)
	}
	truths = append(truths, array)
	for i := range 4 {
		why := "blurred"
		if i == 3 {
			why = "dark"
		}
		truths = append(truths, Truth{Image: fmt.Sprint("r", i), Part: "p", View: "retake", Reason: why, UmPerPx: 10})
	}
	measured := map[string]Measured{}
	for _, t := range truths {
		m := Measured{Image: t.Image, Verdict: "accept", Offset: t.Offset, U: [3]float64{1, 1, 0.01}, Seconds: 0.5, Sites: map[string]Site{}}
		if t.View == "retake" {
			m.Verdict, m.Reason = "retake", t.Reason
		}
		for _, s := range t.Sites {
			s.UUm, s.UTiltDeg, s.UDiameterUm = 2.5, 0.1, 1
			m.Sites[s.Name] = s
		}
		measured[t.Image] = m
	}
	return truths, measured
}

type check struct {
	what      string
	got, want float64
}

func hold(t *testing.T, checks []check) {
	t.Helper()
	for _, c := range checks {
		if !(math.Abs(c.got-c.want) <= 1e-9) {
			t.Errorf("%s: got %v, planted %v", c.what, c.got, c.want)
		}
	}
}

func byName(t *testing.T, scores []*Score, name string) *Score {
	t.Helper()
	for _, s := range scores {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("no score for %q", name)
	return nil
}

func n[T any](v []T) float64 { return float64(len(v)) }

func TestPerfectResult(t *testing.T) {
	truths, measured := planted()
	scores, retakes := Compare(truths, measured)
	all, array := byName(t, scores, ""), byName(t, scores, "column-plan / p")
	if scores[0] != all {
		t.Error("the score of all pictures must come first")
	}
	for i := range components {
		c := &all.Components[i]
		hold(t, []check{
			{"rms", rms(c.Err), 0}, {"worst px", quantile(c.Px, 1), 0}, {"ratio", rms(c.Ratio), 0}, {"coverage", c.Covered(), 1},
		})
	}
	hold(t, []check{
		{"images", float64(all.Images), 11}, {"measured", float64(all.Measured), 11}, {"refused", n(all.Refused), 0},
		{"lost", n(all.Lost), 0}, {"gross", n(all.Gross), 0}, {"missing", float64(array.Missing), 4},
		{"found", float64(array.MissingFound), 4}, {"false missing", n(array.FalseMissing), 0}, {"site rms", rms(array.SitePx), 0},
		{"tilt rms", rms(array.TiltErr), 0}, {"leaning", float64(array.Tilted), 10}, {"leaning found", float64(array.TiltedFound), 10},
		{"upright", float64(array.Upright), 24}, {"tilt false", float64(array.TiltFalse), 0},
		{"retake refused", float64(retakes.Refused), 4}, {"right reason", float64(retakes.RightReason), 4},
	})
}

func TestSpoiltResult(t *testing.T) {
	truths, measured := planted()
	spoil := func(image string, change func(*Measured)) {
		m := measured[image]
		change(&m)
		measured[image] = m
	}
	planted := []float64{1, -1, 2, -2, 0.5} // error of X of d0 to d4, µm
	var squares float64
	for i, e := range planted {
		squares += e * e
		spoil(fmt.Sprint("d", i), func(m *Measured) {
			m.Offset[0] += e
			m.Offset[1] += 0.5
			m.Offset[2] += 0.002
		})
	}
	spoil("d5", func(m *Measured) { m.Verdict = "retake" })      // a good picture refused
	spoil("d6", func(m *Measured) { m.Offset[0] += 25 })         // 2.5 px
	spoil("d7", func(m *Measured) { m.Offset[1] = math.NaN() })  // a value lost
	spoil("d8", func(m *Measured) { m.U[1] = 0 })                // not an uncertainty
	spoil("d9", func(m *Measured) { m.Offset[2] += 0.02 - 360 }) // 0.02° across the turn
	spoil("r1", func(m *Measured) { m.Verdict = "accept" })      // an unusable picture measured
	spoil("r2", func(m *Measured) { m.Reason = "dark" })         // refused for another reason
	delete(measured, "r3")                                       // and one lost
	site := func(name string, change func(*Site)) {
		s := measured["c0"].Sites[name]
		change(&s)
		measured["c0"].Sites[name] = s
	}
	for i := 4; i < 40; i++ {
		site(fmt.Sprint("A", i+1), func(s *Site) {
			s.DXUm += 4
			s.DYUm -= 3
			s.TiltDeg += 0.1
			s.DiameterUm = 512
		})
	}
	site("A1", func(s *Site) { s.State, s.DXUm, s.DYUm = "present", 0, 0 }) // a missing one overlooked
	site("A6", func(s *Site) { s.State = "missing" })                       // a false call
	site("A7", func(s *Site) { s.TiltDeg = 1.9 })                           // a leaning one overlooked
	site("A21", func(s *Site) { s.TiltDeg = 2.2 })                          // an upright one called
	delete(measured["c0"].Sites, "A40")
	delete(measured["c0"].Sites, "A2")

	scores, retakes := Compare(truths, measured)
	g, p, q := byName(t, scores, "die-plan"), byName(t, scores, "die-plan / p"), byName(t, scores, "die-plan / q")
	c := byName(t, scores, "column-plan / p")
	x, y, th := &p.Components[0], &p.Components[1], &p.Components[2]
	hold(t, []check{
		{"X rms", rms(x.Err), math.Sqrt(squares / 5)}, {"X rms px", rms(x.Px), math.Sqrt(squares/5) / 10},
		{"X median", quantile(x.Err, 0.5), 1}, {"X 95 %", quantile(x.Err, 0.95), 2}, {"X mean", mean(x.Err), 0.1},
		{"X ratio", rms(x.Ratio), math.Sqrt(squares/5) / 0.5}, {"X bias z", x.BiasZ(), 1 / math.Sqrt(5)},
		{"Y ratio", rms(y.Ratio), 2}, {"θ ratio", rms(th.Ratio), 2}, {"θ px", rms(th.Px), 0.002 * math.Pi / 180 * 600},
		{"X coverage", x.Covered(), 0.6}, {"X pull", rms(x.Pull), math.Sqrt(squares / 5)},
		{"refused", n(g.Refused), 1}, {"measured", float64(g.Measured), 8}, {"lost", n(g.Lost), 1},
		{"gross", n(g.Gross), 1}, {"gross px", g.Gross[0].Px, 2.5}, {"u not positive", float64(q.Components[1].BadU), 1},
		{"Y coverage q", q.Components[1].Covered(), 2.0 / 3}, {"θ worst q", quantile(q.Components[2].Err, 1), 0.02},
		{"retake refused", float64(retakes.Refused), 2}, {"right reason", float64(retakes.RightReason), 1},
		{"retake lost", n(retakes.Lost), 1}, {"measured anyway", n(retakes.MeasuredAnyway), 1},
		{"blurred refused", float64(retakes.ByReason["blurred"][1]), 2},
		{"missing found", float64(c.MissingFound), 2}, {"false missing", n(c.FalseMissing), 1}, {"unreported", float64(c.Unreported), 2},
		{"site px", rms(c.SitePx), 0.25}, {"site x", rms(c.SiteDX), 4}, {"site y", mean(c.SiteDY), -3},
		{"sites placed", n(c.SitePx), 34}, {"site not measured", float64(c.SiteUnmeasured), 2},
		{"tilt rms", rms(c.TiltErr), math.Sqrt((33*0.01 + 1.1*1.1 + 1.7*1.7) / 35)},
		{"leaning found", float64(c.TiltedFound), 9}, {"tilt false", float64(c.TiltFalse), 1}, {"tilt absent", float64(c.TiltAbsent), 1},
		{"tilt vector worst", quantile(c.TiltVec, 1), 1.7}, {"diameter", rms(c.Diameter), 2},
		// 34 sites off by 4 and 3 µm of u = 2.5 µm; 33 tilts off by 0.1° of u = 0.1°, one by 1.1°, one by
		// 1.7°, beyond 1.96 u along both X and Y; diameters off by 2 µm of u = 1 µm.
		{"site pull", rms(c.SitePulls.Pull), math.Sqrt(0.5) * 2}, {"site coverage", c.SitePulls.Covered(), 1},
		{"tilt pull", rms(c.TiltPulls.Pull), math.Sqrt((33*1 + 11*11 + 17*17) / 70.0)}, {"tilt coverage", c.TiltPulls.Covered(), 66.0 / 70},
		{"diameter pull", rms(c.DiameterPulls.Pull), 2}, {"diameter coverage", c.DiameterPulls.Covered(), 0},
	})
}

func TestTurn(t *testing.T) {
	for _, c := range []struct{ d, want float64 }{{-359.98, 0.02}, {179, 179}, {180, 180}, {-180, 180}, {540.5, -179.5}, {0, 0}} {
		hold(t, []check{{fmt.Sprint("turn ", c.d), turn(c.d), c.want}})
	}
}

// Linear between order statistics: of 1 to 100 the median is 50.5 and the 95th percentile 95.05.
func TestQuantile(t *testing.T) {
	var v []float64
	for i := 1; i <= 100; i++ {
		v = append(v, float64(i)*float64(1-2*(i%2)))
	}
	hold(t, []check{
		{"median", quantile(v, 0.5), 50.5}, {"95 %", quantile(v, 0.95), 95.05}, {"worst", quantile(v, 1), 100},
		{"rms", rms(v), math.Sqrt(101 * 201 / 6.0)},
	})
	if !math.IsNaN(quantile(nil, 0.5)) {
		t.Error("the quantile of nothing must be NaN")
	}
}
