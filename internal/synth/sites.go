package synth

import (
	"cmp"
	"math"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// A site is one place of the array as it is drawn. Places are true µm in the drawing frame.
type site struct {
	part.Site
	SiteState
	x, y         float64 // nominal: drawn place times the substrate's scale
	baseX, baseY float64 // foot, or ball, from nominal
	tiltX, tiltY float64 // sine of the tilt times its direction
	lengthUm     float64
	diameterUm   float64
}

// tip returns the tip's place from nominal and its height.
func (s *site) tip() (x, y, h float64) {
	sin2 := s.tiltX*s.tiltX + s.tiltY*s.tiltY
	return s.baseX + s.lengthUm*s.tiltX, s.baseY + s.lengthUm*s.tiltY, s.lengthUm * math.Sqrt(max(1-sin2, 0))
}

// placeSites decides how each site of the array stands.
func (st *stage) placeSites() error {
	a := st.Part.Array
	places, err := a.Sites()
	if err != nil {
		return err
	}
	index := map[string]int{}
	span := spanOf(places)
	rng := st.siteRandom()
	turnSin, turnCos := math.Sincos(st.ThetaDeg * math.Pi / 180)
	sd := st.Array
	leanSin, leanCos := math.Sincos(sd.LeanAzimuthDeg * math.Pi / 180)
	lean := math.Sin(sd.LeanDeg * math.Pi / 180)
	for _, at := range places {
		hidden := st.View == reading.ColumnSide && !st.facing(at.Row, at.Column, span)
		if hidden && st.Array.Seed == 0 {
			continue
		}
		s := site{Site: at, x: float64(at.At.X) * st.SubstrateScale, y: float64(at.At.Y) * st.SubstrateScale}
		// The array's own offset moves and turns the feet about the drawing's origin.
		s.baseX = st.OffsetXUm + s.x*(turnCos-1) - s.y*turnSin + sd.PlaceUm*rng.NormFloat64()
		s.baseY = st.OffsetYUm + s.x*turnSin + s.y*(turnCos-1) + sd.PlaceUm*rng.NormFloat64()
		spread := math.Sin(sd.TiltDeg * math.Pi / 180)
		s.tiltX = lean*leanCos + spread*rng.NormFloat64()
		s.tiltY = lean*leanSin + spread*rng.NormFloat64()
		s.lengthUm = a.HeightMm*1000 + sd.HeightUm*rng.NormFloat64()
		s.diameterUm = a.DiameterMm*1000 + sd.DiameterUm*rng.NormFloat64()
		if hidden { // drawn from the generator all the same, for other views show it
			continue
		}
		index[at.Name] = len(st.sites)
		st.sites = append(st.sites, s)
	}
	for _, state := range sd.Sites {
		if i, ok := index[state.Site]; ok {
			st.sites[i].apply(state)
		}
	}
	for i := range st.sites {
		s := &st.sites[i]
		if st.View == reading.ColumnSide {
			st.faceLens(s)
		}
		if to := s.BridgedTo; to != "" && !s.Missing && !st.sites[index[to]].Missing {
			st.sites[index[to]].BridgedTo = cmp.Or(st.sites[index[to]].BridgedTo, s.Name)
		}
	}
	return nil
}

// spanOf returns the first and last row and the first and last column that have a site.
func spanOf(places []part.Site) [4]int {
	span := [4]int{math.MaxInt, 0, math.MaxInt, 0}
	for _, s := range places {
		span = [4]int{min(span[0], s.Row), max(span[1], s.Row), min(span[2], s.Column), max(span[3], s.Column)}
	}
	return span
}

// apply makes a site as its state says.
func (s *site) apply(state SiteState) {
	s.SiteState = state
	sin, cos := math.Sincos(state.AzimuthDeg * math.Pi / 180)
	tilt := math.Sin(state.TiltDeg * math.Pi / 180)
	s.tiltX += tilt * cos
	s.tiltY += tilt * sin
	s.baseX += state.XUm
	s.baseY += state.YUm
	s.diameterUm += state.DiameterUm
}
