package column

import (
	"fmt"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

const (
	// pitchApart is by how much, as a share, the pitch of an array may differ from the drawn one on a
	// substrate of its scale, before the array is another part's: ceramics shrink alike all over, and
	// placing fixtures are right to a tenth of that (common practice, no source).
	pitchApart = 0.005

	pitchLeast, pitchMost = 0.4, 2.6 // of the drawn pitch, that are looked for
	pitchLike             = 0.3      // autocorrelation of what repeats
	pitchFar              = 4        // pitches over which it is measured
)

// otherPitch refuses an array that can be seen to have another pitch than the part's, nil for any other.
func (pic *shot) otherPitch(o *outline) *reading.Refusal {
	drawn := pic.part.Array.PitchMm
	seen := pic.pitchSeen(o)
	if seen == 0 || math.Abs(seen/drawn-1) < 2*pitchApart { // lags are good to a hundredth
		return nil
	}
	return pic.refusePitch(seen)
}

// judgePitch refuses an array whose places, now that they are known, show another pitch.
func (pic *shot) judgePitch(o *outline, seats []seat, offsets [][2]float64) error {
	scale := pic.rigid(o, seats, offsets, found(seats)).scale / o.pose.Scale
	if math.Abs(scale-1) > pitchApart {
		return pic.refusePitch(scale * pic.part.Array.PitchMm)
	}
	return nil
}

// refusePitch is the refusal of an array with the pitch seen, mm.
func (pic *shot) refusePitch(seen float64) *reading.Refusal {
	check := "check that this is the right part and side, and the right scope"
	if pic.scope.Camera == scope.Perspective {
		check += " with its working distance"
	}
	return &reading.Refusal{Gate: "array-mismatch", Got: seen, Limit: pic.part.Array.PitchMm, Unit: "mm of pitch",
		Instruction: fmt.Sprintf("the array in the picture has a pitch of %.4g mm, part %s one of %.4g mm; %s", seen, pic.part.Name, pic.part.Array.PitchMm, check)}
}

// pitchSeen returns the pitch, mm on a substrate of scale 1, at which the picture repeats along the
// drawing's axes about the middle of the array, 0 where it doesn't.
func (pic *shot) pitchSeen(o *outline) float64 {
	const lines, apart = 24, 0.37 // of the drawn pitch: nowhere along a row of faces only
	a := pic.part.Array
	pitchUm := 1000 * a.PitchMm
	stepUm := pic.tip.UmPerPx()
	n := int((2*pitchFar + 1) * pitchUm * pitchMost / stepUm)
	n = min(n, int(1000*min(pic.part.Substrate.WidthMm, pic.part.Substrate.HeightMm)/stepUm)-1)
	most := int(pitchMost * pitchUm / stepUm)
	if n < 3*most {
		return 0
	}
	f := discFitter{g: pic.g}
	sums := make([]float64, min(n/2, int(pitchFar*pitchMost*pitchUm/stepUm)+2))
	var power float64
	v := make([]float64, n)
	for line := range 2 * lines {
		across := (float64(line%lines) - (lines-1)/2.0) * apart * pitchUm
		at := func(t float64) geom.ImagePoint {
			if line < lines {
				return pic.faceAt(o.pose, t, across)
			}
			return pic.faceAt(o.pose, across, t)
		}
		mean := 0.0
		for i := range v {
			p := at((float64(i) - float64(n-1)/2) * stepUm)
			v[i] = f.between(p.X, p.Y)
			mean += v[i] / float64(n)
		}
		for i := range v {
			v[i] -= mean
			power += v[i] * v[i] / float64(n)
		}
		for lag := range sums {
			s := 0.0
			for i := range n - lag {
				s += v[i] * v[i+lag]
			}
			sums[lag] += s / float64(n-lag)
		}
	}
	top := func(from, to int) (int, float64) {
		best, at := 0.0, 0
		for lag := max(1, from); lag < min(to, len(sums)-1); lag++ {
			if sums[lag] > best && sums[lag] >= sums[lag-1] && sums[lag] > sums[lag+1] {
				best, at = sums[lag], lag
			}
		}
		return at, best / power
	}
	least := int(pitchLeast * pitchUm / stepUm)
	_, best := top(least, most)
	if best < pitchLike {
		return 0
	}
	// The first that is nearly as good: multiples repeat as well.
	lag := 0
	for k := least; k < most && lag == 0; k++ {
		if at, r := top(k, k+2); at > 0 && r > 0.8*best {
			lag = at
		}
	}
	times := 1
	for ; times < pitchFar && (times+1)*lag+1 < len(sums); times++ {
	}
	far, r := top(times*lag-times, times*lag+times+1)
	if lag == 0 || r < pitchLike {
		return 0
	}
	l, c, h := sums[far-1], sums[far], sums[far+1]
	return (float64(far) + 0.5*(l-h)/(l-2*c+h)) / float64(times) * stepUm / 1000
}
