package signal

import (
	"context"
	"slices"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/store"
)

// watched are the quantities that are charted of each view without anybody asking. A phase started
// by a person puts others on the list.
var watched = map[reading.View][]string{
	reading.DiePlan:    {"x_um", "y_um", "theta_deg"},
	reading.DieIR:      {"x_um", "y_um", "theta_deg"},
	reading.CapPlan:    {"x_um", "y_um", "theta_deg"},
	reading.ColumnPlan: {"missing", "tilted", "lean_deg"},
	reading.ColumnSide: {"coplanarity_um"},
	reading.BallPlan:   {"missing", "bridged", "doubled"},
}

// Watched returns the quantities that are charted of a view without anybody asking.
func Watched(view reading.View) []string { return slices.Clone(watched[view]) }

// counts are quantities that count sites.
var counts = []string{"missing", "tilted", "bridged", "doubled"}

// CountsSites reports whether a quantity counts sites, and so is charted against how many were seen.
func CountsSites(quantity string) bool { return slices.Contains(counts, quantity) }

// Samples returns what a chart is made of, in order of time: the shots of the chart that q chooses
// besides, without those of check samples, which aren't the line's.
func Samples(ctx context.Context, s *store.Store, c store.Chart, q store.Query) ([]Sample, error) {
	checks, err := s.CheckSamples(ctx, store.CheckSampleQuery{Part: c.Part, Withdrawn: true})
	if err != nil {
		return nil, err
	}
	q.Part, q.View, q.Line, q.Head = c.Part, string(c.View), c.Line, c.Head
	values, err := s.Series(ctx, q, c.Value)
	if err != nil {
		return nil, err
	}
	seen, err := sitesSeen(ctx, s, c, q)
	if err != nil {
		return nil, err
	}
	samples := make([]Sample, 0, len(values))
	for _, v := range values {
		known := slices.ContainsFunc(checks, func(k store.CheckSample) bool { return k.Sample == v.Shot.Sample && v.Shot.Sample != "" })
		if known || v.Shot.Line != c.Line {
			continue
		}
		samples = append(samples, Sample{
			Point: store.Point{Shot: v.Shot.ID, At: v.Shot.TakenAt, Name: v.Shot.Sample, Value: v.Value},
			Lot:   v.Shot.Lot, Recorded: v.Shot.RecordedAt, Size: seen[v.Shot.ID],
		})
	}
	return samples, nil
}

// sitesSeen returns how many sites were seen in each shot, nil for quantities that don't count sites.
func sitesSeen(ctx context.Context, s *store.Store, c store.Chart, q store.Query) (map[int64]float64, error) {
	if !CountsSites(c.Value) {
		return nil, nil
	}
	seen := map[int64]float64{}
	for _, quantity := range []string{"present", "missing"} {
		values, err := s.Series(ctx, q, quantity)
		if err != nil {
			return nil, err
		}
		for _, v := range values {
			seen[v.Shot.ID] += v.Value
		}
	}
	return seen, nil
}

// Suggest returns the kind of chart that suits samples of a quantity, and whether its points should
// be lots. Units of one lot are alike, so limits from the spread of neighbours are too narrow where
// a lot gives several: then lots are charted, as individuals by their means. Counts that vary more
// than their law allows take Laney's limits.
func Suggest(samples []Sample, quantity string) (kind series.Kind, byLot bool) {
	lots := map[string]bool{}
	for _, s := range samples {
		if s.Lot == "" {
			lots = nil
			break
		}
		lots[s.Lot] = true
	}
	byLot = lots != nil && len(samples) >= 2*len(lots)
	if !CountsSites(quantity) {
		return series.Individuals, byLot
	}
	if gather(samples, series.U, byLot).overdispersed() {
		return series.LaneyU, byLot
	}
	return series.U, byLot
}
