package measure

import (
	"fmt"
	"slices"

	"plumbsquare/internal/reading"
)

// A Pair is one sample shot in one view twice, turned in between.
type Pair [2]*reading.Reading

// Pairs sorts readings into pairs for a reversal: of each sample the first shot one way round goes
// with the first the other way round, the second with the second. Samples that aren't shot as
// often both ways are errors, one each.
func Pairs(rs []*reading.Reading) (pairs []Pair, errs []error) {
	type key struct {
		part, lot, sample string
		view              reading.View
	}
	type shots struct {
		turns []float64
		of    map[float64][]*reading.Reading
	}
	var order []key
	by := map[key]*shots{}
	for _, r := range rs {
		k := key{r.Source.PartHash, r.Shot.Lot, r.Shot.Sample, r.Shot.View}
		s := by[k]
		if s == nil {
			s = &shots{of: map[float64][]*reading.Reading{}}
			by[k] = s
			order = append(order, k)
		}
		if !slices.Contains(s.turns, r.Shot.TurnDeg) {
			s.turns = append(s.turns, r.Shot.TurnDeg)
		}
		s.of[r.Shot.TurnDeg] = append(s.of[r.Shot.TurnDeg], r)
	}
	for _, k := range order {
		s := by[k]
		slices.Sort(s.turns)
		if len(s.turns) != 2 || len(s.of[s.turns[0]]) != len(s.of[s.turns[1]]) {
			errs = append(errs, fmt.Errorf("lot %q sample %q: %s; a reversal needs as many pictures of each sample at 0° as at 180° (turn_deg in the traveler)",
				k.lot, k.sample, counts(s.turns, s.of)))
			continue
		}
		for i, first := range s.of[s.turns[0]] {
			pairs = append(pairs, Pair{first, s.of[s.turns[1]][i]})
		}
	}
	return pairs, errs
}

// counts says how many readings there are at each turn.
func counts(turns []float64, of map[float64][]*reading.Reading) string {
	text := ""
	for i, t := range turns {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprintf("%d at %g°", len(of[t]), t)
	}
	return text + " could be measured"
}
