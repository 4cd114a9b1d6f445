package batch

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"slices"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// Corners parts jobs whose shots have stage places from the others and gathers those of each sample
// and turn, the upper ones first and from left to right, so that the same pictures give the same reading in
// whatever order they are named.
func Corners(jobs []intake.Job) (single []intake.Job, samples [][]intake.Job) {
	type key struct {
		lot, sample, part string
		view              reading.View
		turnDeg           float64
	}
	at := map[key]int{}
	for _, j := range jobs {
		if j.Shot.Stage == nil {
			single = append(single, j)
			continue
		}
		k := key{j.Shot.Lot, j.Shot.Sample, j.Part.Name, j.Shot.View, j.Shot.TurnDeg}
		i, ok := at[k]
		if !ok {
			i = len(samples)
			at[k] = i
			samples = append(samples, nil)
		}
		samples[i] = append(samples[i], j)
	}
	for _, s := range samples {
		slices.SortStableFunc(s, func(a, b intake.Job) int {
			p, q := a.Shot.Stage, b.Shot.Stage
			return cmp.Or(cmp.Compare(q.YMm, p.YMm), cmp.Compare(p.XMm, q.XMm), cmp.Compare(a.Path, b.Path))
		})
	}
	return single, samples
}

// RunCorners measures the shots of one sample's corners into one reading.
func RunCorners(ctx context.Context, sample []intake.Job, o Options) (*reading.Reading, error) {
	var gs []*picture.Gray
	var jobs []measure.Job
	for _, j := range sample {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b, err := os.ReadFile(j.Path)
		if err != nil {
			return nil, err
		}
		g, err := picture.Decode(b, o.Limits)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", j.Path, err)
		}
		sum := sha256.Sum256(b)
		gs = append(gs, g)
		jobs = append(jobs, measure.Job{
			Picture: j.Path, SHA256: hex.EncodeToString(sum[:]),
			Part: j.Part, Scope: j.Scope, Shot: j.Shot, Program: o.Program, Today: o.Today,
		})
	}
	r, err := measure.Corners(gs, jobs)
	if err == nil && o.After != nil && ctx.Err() == nil {
		err = o.After(gs, sample[0], r)
	}
	if err != nil {
		return r, fmt.Errorf("measure the corners of lot %q sample %q: %w", sample[0].Shot.Lot, sample[0].Shot.Sample, err)
	}
	return r, nil
}
