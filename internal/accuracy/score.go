package accuracy

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// What counts as what, the same for every program that is scored.
const (
	grossPx      = 1.0  // an error beyond it is a gross one
	coverage     = 1.96 // errors within 1.96 u should be 95 %
	tiltLimitDeg = 2.0  // columns that lean further are to be called
	tiltGreyDeg  = 0.3  // true tilts this near the limit count neither way
)

// A Measured is what the program said of one picture. NaN stands for what it didn't say.
type Measured struct {
	Image, Verdict, Reason string
	Offset, U              [3]float64 // X µm, Y µm, θ degrees, and their standard uncertainties
	Sites                  map[string]Site
	Seconds                float64
}

// A Score is the account of one group of pictures.
type Score struct {
	Name                           string
	Images, Measured               int
	Refused, Lost                  []string // good pictures refused; pictures without an answer
	Gross                          []Miss   // beyond a pixel
	Components                     [3]Component
	Seconds                        []float64
	SiteImages, Sites, Unreported  int
	Missing, MissingFound          int
	Overlooked, FalseMissing       []string
	SiteDX, SiteDY, SitePx         []float64
	SiteRatio                      []float64
	SiteUnmeasured                 int
	SitePulls, TiltPulls           Pulls // both axes
	DiameterPulls                  Pulls
	TiltErr, TiltVec               []float64
	Tilted, TiltedFound            int
	Upright, TiltFalse, TiltAbsent int
	Diameter                       []float64
}

// A Component gathers the errors of X, Y or θ.
type Component struct {
	Err, Px           []float64 // measured - true, in µm or degrees and in px
	Ratio, RatioKnown []float64 // error over bound
	Pulls
	WorstPx float64
	Worst   string
}

// Pulls are errors over stated standard uncertainties.
type Pulls struct {
	Pull []float64
	BadU int // uncertainties absent or not above zero
}

func (p *Pulls) add(err, u float64) {
	if u > 0 {
		p.Pull = append(p.Pull, err/u)
	} else {
		p.BadU++
	}
}

// A Miss is one value that is far off.
type Miss struct {
	Image, Component string
	Err, Px          float64
}

// Retakes is the account of the pictures that can't be measured.
type Retakes struct {
	Images, Refused, RightReason int
	MeasuredAnyway, Lost         []string
	ByReason                     map[string][2]int // images, refused
	WrongReason                  []string
}

// Compare scores what was measured, by view and by view and part, all pictures first.
func Compare(truths []Truth, measured map[string]Measured) ([]*Score, Retakes) {
	scores := map[string]*Score{}
	retakes := Retakes{ByReason: map[string][2]int{}}
	for _, t := range truths {
		m, ok := measured[t.Image]
		if t.View == "retake" {
			retakes.add(t, m, ok)
			continue
		}
		for _, name := range []string{"", t.View, t.View + " / " + t.Part} {
			if scores[name] == nil {
				scores[name] = &Score{Name: name}
			}
			scores[name].add(t, m, ok)
		}
	}
	order := slices.SortedFunc(maps.Values(scores), func(a, b *Score) int { return cmp.Compare(a.Name, b.Name) })
	return order, retakes
}

func (r *Retakes) add(t Truth, m Measured, ok bool) {
	r.Images++
	n := r.ByReason[t.Reason]
	n[0]++
	switch {
	case !ok:
		r.Lost = append(r.Lost, t.Image)
	case m.Verdict != "retake":
		r.MeasuredAnyway = append(r.MeasuredAnyway, t.Image)
	default:
		r.Refused++
		n[1]++
		if m.Reason == t.Reason {
			r.RightReason++
		} else {
			r.WrongReason = append(r.WrongReason, t.Image+": "+m.Reason+" for "+t.Reason)
		}
	}
	r.ByReason[t.Reason] = n
}

func (s *Score) add(t Truth, m Measured, ok bool) {
	s.Images++
	if ok && m.Verdict == "retake" {
		s.Refused = append(s.Refused, t.Image+": "+m.Reason)
		return
	}
	if !ok {
		s.Lost = append(s.Lost, t.Image)
		return
	}
	asked, got := 0, 0
	for i := range components {
		if math.IsNaN(t.Offset[i]) {
			continue
		}
		asked++
		if !math.IsNaN(m.Offset[i]) {
			got++
			s.component(i, t, m)
		}
	}
	whole := got == asked && (asked > 0 || t.Sites == nil || len(m.Sites) > 0)
	if whole || t.Sites != nil && len(m.Sites) > 0 && got == 0 {
		s.Measured++
	} else {
		s.Lost = append(s.Lost, t.Image)
	}
	s.Seconds = append(s.Seconds, m.Seconds)
	if t.Sites != nil {
		s.sites(t, m)
	}
}

func (s *Score) component(i int, t Truth, m Measured) {
	c := &s.Components[i]
	e := m.Offset[i] - t.Offset[i]
	px := e / t.UmPerPx
	if i == 2 {
		e = turn(e)
		px = e * math.Pi / 180 * t.LeverUm / t.UmPerPx
	}
	c.Err = append(c.Err, e)
	c.Px = append(c.Px, px)
	if math.Abs(px) >= c.WorstPx {
		c.WorstPx, c.Worst = math.Abs(px), t.Image
	}
	if math.Abs(px) > grossPx {
		s.Gross = append(s.Gross, Miss{t.Image, components[i].name, e, px})
	}
	if b := t.Bound[i]; b > 0 {
		c.Ratio = append(c.Ratio, e/b)
	}
	if b := t.BoundKnown[i]; b > 0 {
		c.RatioKnown = append(c.RatioKnown, e/b)
	}
	c.add(e, m.U[i])
}

func (s *Score) sites(t Truth, m Measured) {
	s.SiteImages++
	for _, want := range t.Sites {
		got, ok := m.Sites[want.Name]
		s.Sites++
		if !ok {
			s.Unreported++
		}
		missing := ok && got.State == "missing"
		name := t.Image + " " + want.Name
		if want.State == "missing" {
			s.Missing++
			if missing {
				s.MissingFound++
			} else {
				s.Overlooked = append(s.Overlooked, name)
			}
			continue
		}
		if missing {
			s.FalseMissing = append(s.FalseMissing, name)
		}
		if !ok {
			got = Site{DXUm: math.NaN(), DYUm: math.NaN(), TiltDeg: math.NaN(), Azimuth: math.NaN(), DiameterUm: math.NaN()}
		}
		s.place(want, got, missing, t.UmPerPx)
		s.tilt(want, got)
		if d := got.DiameterUm - want.DiameterUm; !math.IsNaN(d) {
			s.Diameter = append(s.Diameter, d)
			s.DiameterPulls.add(d, got.UDiameterUm)
		}
	}
}

func (s *Score) place(want, got Site, missing bool, umPerPx float64) {
	if math.IsNaN(want.DXUm) {
		return
	}
	ex, ey := got.DXUm-want.DXUm, got.DYUm-want.DYUm
	if side := math.IsNaN(want.DYUm); side && !math.IsNaN(ex) && !missing {
		s.SitePulls.add(ex, got.UUm)
		s.SiteDX = append(s.SiteDX, ex)
		return
	}
	if math.IsNaN(ex+ey) || missing {
		s.SiteUnmeasured++
		return
	}
	s.SitePulls.add(ex, got.UUm)
	s.SitePulls.add(ey, got.UUm)
	s.SiteDX = append(s.SiteDX, ex)
	s.SiteDY = append(s.SiteDY, ey)
	s.SitePx = append(s.SitePx, math.Hypot(ex, ey)/umPerPx)
	if want.BoundX > 0 && want.BoundY > 0 {
		s.SiteRatio = append(s.SiteRatio, ex/want.BoundX, ey/want.BoundY)
	}
}

func (s *Score) tilt(want, got Site) {
	if math.IsNaN(want.TiltDeg) {
		return
	}
	called := got.TiltDeg > tiltLimitDeg
	switch {
	case want.TiltDeg > tiltLimitDeg+tiltGreyDeg:
		s.Tilted++
		if called {
			s.TiltedFound++
		}
	case want.TiltDeg < tiltLimitDeg-tiltGreyDeg:
		s.Upright++
		if called {
			s.TiltFalse++
		}
	}
	if math.IsNaN(got.TiltDeg) {
		s.TiltAbsent++
		return
	}
	s.TiltErr = append(s.TiltErr, got.TiltDeg-want.TiltDeg)
	if math.IsNaN(want.Azimuth + got.Azimuth) {
		s.TiltPulls.add(got.TiltDeg-want.TiltDeg, got.UTiltDeg)
		return
	}
	sw, cw := math.Sincos(want.Azimuth * math.Pi / 180)
	sg, cg := math.Sincos(got.Azimuth * math.Pi / 180)
	ex, ey := got.TiltDeg*cg-want.TiltDeg*cw, got.TiltDeg*sg-want.TiltDeg*sw
	s.TiltVec = append(s.TiltVec, math.Hypot(ex, ey))
	s.TiltPulls.add(ex, got.UTiltDeg)
	s.TiltPulls.add(ey, got.UTiltDeg)
}

// turn brings a difference of two angles, degrees, into (-180, 180].
func turn(d float64) float64 {
	r := math.Mod(180-d, 360)
	if r < 0 {
		r += 360
	}
	return 180 - r
}

// rms returns the root of the mean square, NaN of nothing.
func rms(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(len(v)))
}

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// quantile returns the q quantile of the absolute values, linear between order statistics; NaN of
// nothing.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	a := make([]float64, len(v))
	for i, x := range v {
		a[i] = math.Abs(x)
	}
	slices.Sort(a)
	p := q * float64(len(a)-1)
	i := min(int(p), len(a)-1)
	j := min(i+1, len(a)-1)
	return a[i] + (p-float64(i))*(a[j]-a[i])
}

// Covered returns the share of errors within 1.96 u; an u that is absent or not above zero doesn't
// cover.
func (p *Pulls) Covered() float64 {
	in := 0
	for _, e := range p.Pull {
		if math.Abs(e) <= coverage {
			in++
		}
	}
	return float64(in) / float64(len(p.Pull)+p.BadU)
}

// BiasZ is the sum of error over bound by the root of their number: beyond ±3 there is a bias.
func (c *Component) BiasZ() float64 { return mean(c.Ratio) * math.Sqrt(float64(len(c.Ratio))) }
