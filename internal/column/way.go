package column

import (
	"fmt"
	"math"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// wayShare is the share of the places that tell one way round from another of which more must
// speak for the other one; of two, both must.
const wayShare = 0.75

// judgeWay refuses a sample that lies turned by a multiple of 90°, where the drawing leaves out
// sites that tell: places without a site onto which one comes by the turn are filled, sites from
// which all turn away are empty. Where the pattern can't tell, it rests on the fixture.
func (pic *shot) judgeWay(f *discFitter, o *outline, seats []seat, v sight) error {
	if v.r == 0 {
		return nil
	}
	a, sub := pic.part.Array, pic.part.Substrate
	at := make(map[[2]int]*seat, len(seats))
	for i := range seats {
		at[[2]int{seats[i].row, seats[i].col}] = &seats[i]
	}
	square := a.Rows == a.Columns && math.Abs(sub.WidthMm/sub.HeightMm-1) < sizeTolerance
	most, way := wayShare, 0
	for quarter := 1; quarter < 4; quarter++ {
		if quarter%2 == 1 && !square {
			continue
		}
		agree, places := 0, 0
		for i := range seats {
			s := &seats[i]
			if at[turned(a, s.row, s.col, 4-quarter)] == nil && !s.unseen {
				places++
				if !s.found {
					agree++
				}
			}
			if to := turned(a, s.row, s.col, quarter); at[to] == nil {
				filled, seen := pic.filled(f, o, a, to, v)
				if seen {
					places++
				}
				if filled {
					agree++
				}
			}
		}
		if share := float64(agree) / float64(max(places, 1)); places > 1 && share > most {
			most, way = share, quarter
		}
	}
	if way == 0 {
		return nil
	}
	return &reading.Refusal{Gate: "wrong-way-round", Got: float64(90 * way), Unit: "°",
		Instruction: fmt.Sprintf("the sample lies turned by %d°, as the sites that part %s leaves out show: put it into the fixture the right way round and take the picture again", 90*way, pic.part.Name)}
}

// turned returns the row and column onto which those given come when the array turns by quarters
// counter-clockwise about its middle.
func turned(a *part.Array, row, col, quarters int) [2]int {
	x, y := 2*col-(a.Columns+1), a.Rows+1-2*row
	for range quarters {
		x, y = -y, x
	}
	return [2]int{(a.Rows + 1 - y) / 2, (x + a.Columns + 1) / 2}
}

// filled reports whether a whole face lies at a place of the grid, and whether that is in the picture.
func (pic *shot) filled(f *discFitter, o *outline, a *part.Array, at [2]int, v sight) (filled, seen bool) {
	q := pic.faceAt(o.pose, 1000*a.PitchMm*(float64(at[1])-float64(a.Columns+1)/2), 1000*a.PitchMm*(float64(a.Rows+1)/2-float64(at[0])))
	if !f.holds(q.X, q.Y, 1.5*v.r+3*f.sigma+5) {
		return false, false
	}
	d, ok := f.near(q.X, q.Y, v.r)
	return ok && v.whole(&d) && (!pic.balls() || f.gleam(&d) >= leastGleam*v.gleam), true
}
