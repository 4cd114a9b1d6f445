package synth

import (
	"math"
	"math/rand/v2"

	"plumbsquare/internal/reading"
)

// turnDeg is how far the drawing is turned in the picture. From the side a turn of the sample
// brings another edge to the front and turns nothing in the picture.
func (s *Scene) turnDeg() float64 {
	if s.View == reading.ColumnSide {
		return s.FixtureDeg
	}
	return s.FixtureDeg + s.TurnDeg
}

// quarters is the scene's turn in quarters, 0 to 3.
func (s *Scene) quarters() int { return int(math.Round(s.TurnDeg/90)) & 3 }

// facing reports whether a place of the array is in the row that faces the lens of a side view:
// the bottom row, the first column, the top row, the last column.
func (s *Scene) facing(row, column int, span [4]int) bool {
	return [4]bool{row == span[1], column == span[2], row == span[0], column == span[3]}[s.quarters()]
}

// alongY reports whether that row runs along the drawing's Y; sense is -1 where the picture's right
// is -X or -Y.
func (s *Scene) alongY() bool   { return s.quarters()%2 == 1 }
func (s *Scene) sense() float64 { return [4]float64{1, -1, -1, 1}[s.quarters()] }

// faceLens turns a site from the drawing's axes to those of the side view, x to the picture's right.
func (st *stage) faceLens(s *site) {
	sense := st.sense()
	if st.alongY() {
		s.x, s.baseX, s.tiltX = s.y, s.baseY, s.tiltY
	}
	s.x, s.baseX, s.tiltX, s.BendUm = sense*s.x, sense*s.baseX, sense*s.tiltX, sense*s.BendUm
	s.y, s.baseY, s.tiltY = 0, 0, 0
}

// siteRandom returns the generator that places the sites.
func (st *stage) siteRandom() *rand.Rand {
	if st.Array.Seed == 0 {
		return st.rng
	}
	return rand.New(rand.NewPCG(st.Array.Seed, 0x51735))
}

// focus makes the profiles of the substrate's plane and of the tips'.
func (st *stage) focus() {
	sharp := st.Optics.BlurPx
	soft := math.Hypot(sharp, st.Optics.DefocusPx)
	st.pr = newProfile(sharp)
	st.tipPr = st.pr
	switch st.Optics.Focus {
	case reading.Tip:
		st.pr = newProfile(soft)
	case reading.Base:
		st.tipPr = newProfile(soft)
	}
}
