package design

import (
	"fmt"
	"math"
	"sort"

	"plumbsquare/internal/spc"
)

// A Sampling is a plan with its name and what it does.
type Sampling struct {
	Name string
	spc.Plan
	// At95, At50 and At10 are the fractions nonconforming that are accepted with these probabilities.
	At95, At50, At10 float64
	// Lot is the size of the lot, 0 where it isn't known; then what follows isn't either.
	Lot int
	// AOQL is the worst outgoing fraction when lots not accepted are sorted, and ATI the units that are
	// looked at in a lot then, on average, of the quality At95.
	AOQL, ATI float64
	// Passes is the largest number of nonconforming units in the lot that is accepted with 0.95 or more,
	// Stopped the smallest that is accepted with 0.10 or less: by the hypergeometric law, of this lot
	// alone. Stopped is one more than the lot has where nothing is stopped so surely.
	Passes, Stopped int
}

// Describe says what a plan does; lot 0 means unknown.
func Describe(name string, p spc.Plan, lot int) Sampling {
	s := Sampling{Name: name, Plan: p, Lot: lot, At95: p.QualityAt(0.95), At50: p.QualityAt(0.5), At10: p.QualityAt(0.1), AOQL: math.NaN()}
	if lot > 0 {
		_, s.AOQL = p.AOQL(lot)
		s.ATI = p.ATI(s.At95, lot)
		s.Passes = fewest(p, lot, 0.95, func(pa, least float64) bool { return pa < least }) - 1
		s.Stopped = fewest(p, lot, 0.10, func(pa, most float64) bool { return pa <= most })
	}
	return s
}

// fewest returns the smallest number of nonconforming units in a lot of which a plan's acceptance is so
// seldom, one more than the lot has where there is none. The more there are, the seldomer.
func fewest(p spc.Plan, lot int, at float64, seldom func(pa, at float64) bool) int {
	return sort.Search(lot+1, func(n int) bool {
		pa, err := p.PaLot(lot, n)
		return err == nil && seldom(pa, at)
	})
}

// OC traces the probability of acceptance over the fraction nonconforming, up to upTo: that of a
// process, by the binomial law.
func (s Sampling) OC(upTo float64) Curve {
	c := Curve{Name: s.Name, Note: fmt.Sprintf("n %d, accept %d", s.N, s.Accept)}
	const steps = 240
	for i := range steps + 1 {
		x := upTo * float64(i) / steps
		c.X, c.Y = append(c.X, x), append(c.Y, s.Pa(x))
	}
	return c
}

// A Lot is one that has been inspected.
type Lot struct {
	Name          string
	Size          int
	Nonconforming int // in the sample
}

// A Judged is a lot with its plan and what came of it.
type Judged struct {
	Lot
	Plan     spc.LotPlan
	Accepted bool
	After    spc.InspectionState // how the next lot is inspected
	Score    int                 // switching score after it; from 30 on reduced inspection is permitted
}

// Inspect takes a series of lots through ISO 2859-1, single sampling with its switching rules, and
// returns what came of each and the state that the next one meets. Where inspection was stopped, the
// next lot is taken to be the first after the process was improved. With reduced, inspection is
// reduced as soon as the score permits it.
func Inspect(level string, aqlPercent float64, lots []Lot, reduced bool) ([]Judged, spc.Inspection, error) {
	state, err := spc.StartInspection(level, aqlPercent)
	if err != nil {
		return nil, state, err
	}
	var out []Judged
	for i, lot := range lots {
		if state.State == spc.InspectStopped {
			state = state.Resume()
		}
		plan, err := state.Plan(lot.Size)
		if err != nil {
			return out, state, fmt.Errorf("lot %s: %w", nameOr(lot.Name, i), err)
		}
		next, accepted, err := state.After(plan, lot.Nonconforming)
		if err != nil {
			return out, state, fmt.Errorf("lot %s: %w", nameOr(lot.Name, i), err)
		}
		if reduced && next.MayReduce() {
			if next, err = next.Reduce(); err != nil {
				return out, state, err
			}
		}
		out = append(out, Judged{lot, plan, accepted, next.State, next.ReducedScore})
		state = next
	}
	return out, state, nil
}

func nameOr(name string, i int) string {
	if name != "" {
		return name
	}
	return fmt.Sprint(i + 1)
}
