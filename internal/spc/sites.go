package spc

import (
	"cmp"
	"fmt"
	"slices"
)

// A SiteCount is how often one site of the array failed, over many samples.
type SiteCount struct{ Failed, Looked int }

// SiteOptions refines [RepeatedSites]. The zero value works.
type SiteOptions struct {
	Rate       float64    // fraction of failures to test against; 0 means the array's own
	Correction Correction // for the number of sites; zero value is Benjamini–Hochberg
	Level      float64    // false discovery rate (or error rate) to hold; 0 means 0.05
}

// A SiteTest is the finding on one site.
type SiteTest struct {
	Site           int // index in the counts given
	Failed, Looked int
	P              float64 // probability of at least as many failures at the array's rate
	Q              float64 // P adjusted for the number of sites
	Repeated       bool    // Q is at most the level: the site fails more than chance allows
}

// Repeated is the outcome over the array.
type Repeated struct {
	Rate   float64    // of failures that sites were tested against
	Tested int        // sites looked at at least once
	Level  float64    // as asked
	Sites  []SiteTest // those that failed at least once, the least likely first
}

// RepeatedSites tests each site by the exact binomial test against the failure rate of the whole
// array, and controls what is claimed over all sites looked at. A site's own failures count in the
// array's rate, which makes the test a little conservative.
//
// It returns an error when a count is negative or exceeds its looks, or nothing was looked at.
func RepeatedSites(counts []SiteCount, opt SiteOptions) (Repeated, error) {
	r := Repeated{Rate: opt.Rate, Level: opt.Level}
	if r.Level == 0 {
		r.Level = 0.05
	}
	if err := needProbability("repeated sites: level", r.Level); err != nil {
		return Repeated{}, err
	}
	failed, looked := 0, 0
	for i, c := range counts {
		if c.Failed < 0 || c.Failed > c.Looked {
			return Repeated{}, fmt.Errorf("repeated sites: site %d failed %d times in %d looks", i+1, c.Failed, c.Looked)
		}
		failed += c.Failed
		looked += c.Looked
		if c.Looked > 0 {
			r.Tested++
		}
	}
	if looked == 0 {
		return Repeated{}, fmt.Errorf("repeated sites: none of %d sites was looked at", len(counts))
	}
	if r.Rate == 0 {
		r.Rate = float64(failed) / float64(looked)
	} else if err := needProbability("repeated sites: rate", r.Rate); err != nil {
		return Repeated{}, err
	}
	var p []float64
	for i, c := range counts {
		if c.Looked == 0 {
			continue
		}
		t := SiteTest{Site: i, Failed: c.Failed, Looked: c.Looked, P: binomialAtLeast(c.Failed, c.Looked, r.Rate)}
		r.Sites = append(r.Sites, t)
		p = append(p, t.P)
	}
	q, err := AdjustP(p, opt.Correction)
	if err != nil {
		return Repeated{}, fmt.Errorf("repeated sites: %w", err)
	}
	for k := range r.Sites {
		r.Sites[k].Q = q[k]
		r.Sites[k].Repeated = q[k] <= r.Level
	}
	r.Sites = slices.DeleteFunc(r.Sites, func(t SiteTest) bool { return t.Failed == 0 })
	slices.SortStableFunc(r.Sites, func(a, b SiteTest) int { return cmp.Compare(a.P, b.P) })
	return r, nil
}
