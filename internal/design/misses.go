package design

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/spc"
)

// Misses traces the operating characteristic of x̄ charts: the chance that the next point misses a move,
// over the move, for subgroups of one, of the size designed and of what lies between.
func (d Charts) Misses(upTo float64) []Curve {
	sizes := []int{1, int(math.Round(math.Sqrt(float64(d.SampleSize)))), d.SampleSize, 2 * d.SampleSize}
	slices.Sort(sizes)
	var curves []Curve
	for _, n := range slices.Compact(sizes) {
		c := Curve{Name: fmt.Sprintf("x̄ of %d", n), Note: fmt.Sprintf("limits at ± %.3f", d.Width)}
		s := spc.Shewhart{Width: d.Width}
		for i := range steps + 1 {
			x := upTo * float64(i) / steps
			c.X, c.Y = append(c.X, x), append(c.Y, s.Miss(x*math.Sqrt(float64(n))))
		}
		curves = append(curves, c)
	}
	return curves
}

// SpreadMisses traces the operating characteristic of s and R charts of subgroups of n with limits at
// three standard deviations: the chance that the next point misses a spread that has grown, over how
// many times as large it has become.
func SpreadMisses(n int, upTo float64) ([]Curve, error) {
	curves := []Curve{{Name: fmt.Sprintf("s of %d", n)}, {Name: fmt.Sprintf("R of %d", n)}}
	for k, miss := range []func(n int, width, ratio float64) (float64, error){spc.MissS, spc.MissR} {
		for i := range steps + 1 {
			x := 1 + (upTo-1)*float64(i)/steps
			y, err := miss(n, 0, x)
			if err != nil {
				return nil, err
			}
			curves[k].X, curves[k].Y = append(curves[k].X, x), append(curves[k].Y, y)
		}
	}
	return curves, nil
}
