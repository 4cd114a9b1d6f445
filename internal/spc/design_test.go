package spc

import (
	"math"
	"strings"
	"testing"
)

// The design has the run length asked for and no neighbour in λ is sooner. Crowder (1989) and Lucas &
// Saccucci (1990) give the limits for a run length; those are checked with the printed tables.
func TestDesignEWMA(t *testing.T) {
	for _, shift := range []float64{0.5, 1, 3} {
		e, r, err := DesignEWMA(shift, 500)
		if err != nil {
			t.Fatal(err)
		}
		in, err := e.RunLength(0)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "in control", in.Mean, 500, 1e-9)
		for _, factor := range []float64{0.7, 1.3} {
			n := EWMA{Lambda: math.Min(1, e.Lambda*factor), Steady: true}
			if n.Width, err = ewmaWidth(n, 500); err != nil {
				t.Fatal(err)
			}
			if got := n.runLength(shift); got <= r.Mean {
				t.Errorf("shift %g: λ %.3f sees after %.4f, the design's %.3f after %.4f", shift, n.Lambda, got, e.Lambda, r.Mean)
			}
		}
	}
}

// h of two-sided CUSUMs for a run length of 500, computed with R 4.2 (10 digits).
func TestDesignCUSUM(t *testing.T) {
	for shift, h := range map[float64]float64{0.5: 8.585058346, 1: 5.070703855, 1.5: 3.538425428, 2: 2.665057814} {
		s, r, err := DesignCUSUM(shift, 500)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "h", s.H, h, 1e-9)
		if s.K != shift/2 || r.Mean > 40 {
			t.Errorf("shift %g: %+v sees after %v", shift, s, r)
		}
		wider := CUSUM{K: 0.7 * s.K}
		if wider, err = cusumLimit(wider, 500); err != nil {
			t.Fatal(err)
		}
		if other, _ := wider.RunLength(shift); other.Mean <= r.Mean {
			t.Errorf("shift %g: k = %g is sooner", shift, wider.K)
		}
	}
	for _, inControl := range []float64{5, 1e4, 1e6} { // far ends of what is allowed
		s, _, err := DesignCUSUM(0.2, inControl)
		if err != nil {
			t.Fatal(err)
		}
		in, err := s.RunLength(0)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "in control", in.Mean, inControl, 1e-8)
	}
}

// Closed form: with limits at 3 sigma a shift δ is seen on every second subgroup when
// Φ(δ√n−3) + Φ(−δ√n−3) ≥ 1/2, that is from δ√n = 3 on.
func TestSampleSize(t *testing.T) {
	p := 2 * upperTail(3)
	n, width, err := SampleSize(1, 1/p, 2)
	if err != nil || n != 9 || math.Abs(width-3) > 1e-9 {
		t.Errorf("n = %d, width %.12g, %v", n, width, err)
	}
	n, _, err = SampleSize(0.01, 1/p, 2)
	if err != nil || n != 90000 {
		t.Errorf("n = %d, %v", n, err)
	}
	n, _, err = SampleSize(10, 1/p, 2)
	if err != nil || n != 1 {
		t.Errorf("n = %d, %v", n, err)
	}
}

// Operating characteristics of s and R charts: at ratio 1 and n = 2, where s = R/√2, both charts are
// the same; and against simulation.
func TestSpreadMiss(t *testing.T) {
	for _, ratio := range []float64{0.5, 1, 1.7, 3} {
		s, err := MissS(2, 0, ratio)
		if err != nil {
			t.Fatal(err)
		}
		r, err := MissR(2, 0, ratio)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "n = 2", r, s, 1e-9)
	}
	rng := testRand(51)
	const n, runs, ratio = 8, 20000, 1.5
	sl, rl := nonNegative(C4(n), sdOfSD(C4(n)), 3), nonNegative(D2(n), D3(n), 3)
	missedS, missedR := 0, 0
	for range runs {
		g := make([]float64, n)
		for i := range g {
			g[i] = ratio * rng.NormFloat64()
		}
		if v := math.Sqrt(sampleVariance(g)); v <= sl.UCL && v >= sl.LCL {
			missedS++
		}
		if v := rangeOf(g); v <= rl.UCL && v >= rl.LCL {
			missedR++
		}
	}
	s, _ := MissS(n, 3, ratio)
	r, _ := MissR(n, 3, ratio)
	for _, c := range []struct{ got, want float64 }{{float64(missedS) / runs, s}, {float64(missedR) / runs, r}} {
		if math.Abs(c.got-c.want) > 4*math.Sqrt(c.want*(1-c.want)/runs) {
			t.Errorf("missed %.4f, computed %.4f", c.got, c.want)
		}
	}
}

func sampleVariance(g []float64) (v float64) {
	var mean float64
	for _, x := range g {
		mean += x / float64(len(g))
	}
	for _, x := range g {
		v += (x - mean) * (x - mean) / float64(len(g)-1)
	}
	return v
}

func TestDesignErrors(t *testing.T) {
	ewma := func(shift, inControl float64) error { _, _, err := DesignEWMA(shift, inControl); return err }
	cusum := func(shift, inControl float64) error { _, _, err := DesignCUSUM(shift, inControl); return err }
	mewma := func(p int, lambda, inControl float64) error {
		_, err := DesignMEWMA(p, lambda, inControl)
		return err
	}
	size := func(shift, inControl, signal float64) error {
		_, _, err := SampleSize(shift, inControl, signal)
		return err
	}
	_, missR := MissR(1, 3, 1)
	_, missS := MissS(5, 3, math.NaN())
	for _, c := range []struct {
		err  error
		want string
	}{
		{ewma(0, 370), "shift 0: want a number above zero"},
		{ewma(1, 1), "every 1 points: want more than 2"},
		{ewma(1, math.NaN()), "every NaN points"},
		{cusum(-1, 370), "shift -1"},
		{cusum(1, 1e9), "at most 1e+07"},
		{cusum(1e-9, 1e7), "out of reach"},
		{mewma(0, 0.1, 200), "0 variables"},
		{mewma(2, 3, 200), "lambda 3"},
		{mewma(2, 0.1, 0), "every 0 points"},
		{size(1, 370, 1), "to signal after 1 subgroups"},
		{size(1, 370, 400), "to signal after 400 subgroups"},
		{size(1e-9, 370, 2), "more units than anybody has"},
		{missR, "subgroups of 1"},
		{missS, "sigma times NaN"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("error %v, want %q", c.err, c.want)
		}
	}
}
