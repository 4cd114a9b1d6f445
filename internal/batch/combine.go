package batch

import (
	"fmt"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
)

// A Gathering puts the readings of each sample's array together as results come in.
type Gathering struct {
	o       Options
	samples map[sampleKey]*gathered
}

type sampleKey struct{ lot, sample, part string }

type gathered struct {
	paths    []string
	jobs     []measure.Job
	readings []*reading.Reading
	left     int
}

// Gather prepares to combine the shots of each sample of which jobs hold two or more shots of the
// array. Shots of samples without a name stay by themselves.
func Gather(jobs []intake.Job, o Options) *Gathering {
	g := &Gathering{o, map[sampleKey]*gathered{}}
	for _, j := range jobs {
		k, ok := keyOf(j)
		if !ok {
			continue
		}
		s := g.samples[k]
		if s == nil {
			s = new(gathered)
			g.samples[k] = s
		}
		s.paths = append(s.paths, j.Path)
		s.jobs = append(s.jobs, measure.Job{Picture: j.Path, Part: j.Part, Scope: j.Scope, Shot: j.Shot, Program: o.Program, Today: o.Today})
		s.readings = append(s.readings, nil)
		s.left++
	}
	return g
}

func keyOf(j intake.Job) (k sampleKey, ok bool) {
	v := j.Shot.View
	array := v == reading.ColumnPlan || v == reading.ColumnSide || v == reading.BallPlan
	return sampleKey{j.Shot.Lot, j.Shot.Sample, j.Part.Hash}, array && j.Shot.Sample != "" && j.Shot.Stage == nil
}

// Take takes a result, each once. With the last of a sample's it returns the sample's reading, of a
// shot by itself that shot's own; otherwise nil.
func (g *Gathering) Take(r Result) (*reading.Reading, error) {
	k, ok := keyOf(r.Job)
	s := g.samples[k]
	if !ok || s == nil || len(s.jobs) == 1 {
		return r.Reading, nil
	}
	for i, p := range s.paths {
		if p == r.Job.Path && r.Reading != nil {
			s.readings[i], s.jobs[i].SHA256 = r.Reading, r.Reading.Source.SHA256
		}
	}
	if s.left--; s.left > 0 {
		return nil, nil
	}
	delete(g.samples, k)
	for _, one := range s.readings {
		if one != nil {
			c, err := measure.Combine(s.readings, s.jobs)
			if err != nil {
				return nil, fmt.Errorf("combine the shots of lot %q sample %q: %w", k.lot, k.sample, err)
			}
			return c, nil
		}
	}
	return nil, nil // none could be read, which each result has said
}
