package signal

import (
	"context"
	"math"
	"time"

	"plumbsquare/internal/store"
)

// A Check is how the newest shots of a check sample agree with what is known of it.
type Check struct {
	store.CheckSample
	Shots    int       // in the time asked for
	Last     time.Time // when the newest was taken; zero when there is none
	Measured float64   // of the newest
	U        float64   // its standard uncertainty
	Mean     float64   // of all in the time
	// En is the difference of the newest over the expanded uncertainty of the difference, both with
	// k = 2: Eₙ = (x − X)/√(U² + U_ref²) (ISO/IEC 17043, annex B). Beyond ±1 it isn't explained by
	// the uncertainties: scope, light or sample have changed. It is NaN without a shot, or when
	// neither has an uncertainty.
	En float64
}

// Agrees reports whether the newest shot agrees with the reference.
func (c Check) Agrees() bool { return math.Abs(c.En) <= 1 }

// Checks returns the state of every check sample in use, by the shots taken since.
func Checks(ctx context.Context, s *store.Store, part string, since time.Time) ([]Check, error) {
	known, err := s.CheckSamples(ctx, store.CheckSampleQuery{Part: part})
	if err != nil {
		return nil, err
	}
	var checks []Check
	for _, k := range known {
		c := Check{CheckSample: k, En: math.NaN(), Measured: math.NaN(), U: math.NaN(), Mean: math.NaN()}
		values, err := s.Series(ctx, store.Query{Part: k.Part, View: string(k.View), Sample: k.Sample, Since: since}, k.Value)
		if err != nil {
			return nil, err
		}
		if c.Shots = len(values); c.Shots > 0 {
			newest := values[c.Shots-1]
			c.Last, c.Measured, c.U = newest.Shot.TakenAt, newest.Value, newest.U
			c.En = enNumber(newest.Value, newest.U, k.Reference, k.UReference)
			c.Mean = 0
			for _, v := range values {
				c.Mean += v.Value / float64(c.Shots)
			}
		}
		checks = append(checks, c)
	}
	return checks, nil
}

// enNumber takes standard uncertainties; one that is NaN, since the quantity has none, counts as 0.
func enNumber(x, u, reference, uReference float64) float64 {
	if math.IsNaN(u) {
		u = 0
	}
	expanded := 2 * math.Hypot(u, uReference)
	if expanded == 0 {
		return math.NaN()
	}
	return (x - reference) / expanded
}
