package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// DesignEWMA finds the EWMA chart with steady limits that sees a lasting move of the level by shift
// soonest, among those with a false alarm every inControl points on average. The shift is in
// standard deviations of the charted values: for means of n that of the process times √n. It returns
// the scheme and its average run length after the move (Crowder 1989, Journal of Quality Technology
// 21, 155–162).
func DesignEWMA(shift, inControl float64) (EWMA, RunLength, error) {
	if err := checkDesign(shift, inControl); err != nil {
		return EWMA{}, RunLength{}, err
	}
	var failed error
	after := func(logLambda float64) float64 {
		e := EWMA{Lambda: math.Exp(logLambda), Steady: true}
		width, err := ewmaWidth(e, inControl)
		if err == nil {
			e.Width = width
			return e.runLength(shift)
		}
		failed = err
		return math.Inf(1)
	}
	const slowest = 0.01
	e := EWMA{Lambda: math.Exp(minimumBetween(after, math.Log(slowest), 0)), Steady: true}
	if failed != nil {
		return EWMA{}, RunLength{}, failed
	}
	// Run lengths are flat around the best lambda: three digits of it are plenty.
	e.Lambda = math.Round(e.Lambda*1000) / 1000
	var err error
	if e.Width, err = ewmaWidth(e, inControl); err != nil {
		return EWMA{}, RunLength{}, err
	}
	r, err := e.RunLength(shift)
	return e, r, err
}

// DesignCUSUM finds the CUSUM that sees a lasting move of the level by shift soonest, among those with
// a false alarm every inControl points on average: k is half the shift, which is optimal
// (Moustakides 1986, Annals of Statistics 14, 1379–1387), and h follows. Units and results are as
// those of [DesignEWMA].
func DesignCUSUM(shift, inControl float64) (CUSUM, RunLength, error) {
	if err := checkDesign(shift, inControl); err != nil {
		return CUSUM{}, RunLength{}, err
	}
	s, err := cusumLimit(CUSUM{K: shift / 2}, inControl)
	if err != nil {
		return CUSUM{}, RunLength{}, err
	}
	r, err := s.RunLength(shift)
	return s, r, err
}

// DesignMEWMA finds the decision limit of a MEWMA of p variables with steady limits that raises a false
// alarm every inControl points on average.
func DesignMEWMA(p int, lambda, inControl float64) (MEWMA, error) {
	e, err := MEWMA{Lambda: lambda, H: 1, Steady: true}.filled()
	if err != nil {
		return MEWMA{}, err
	}
	if err := checkVectorRun(p, 0); err != nil {
		return MEWMA{}, err
	}
	if err := checkInControl(inControl); err != nil {
		return MEWMA{}, err
	}
	// T² with the same run length has the widest limit: averaging brings alarms together.
	widest := distuv.ChiSquared{K: float64(p)}.Quantile(1 - 1/inControl)
	e.H, err = limitFor(inControl, widest, func(h float64) (RunLength, error) {
		e.H = h
		return e.RunLength(p, 0)
	})
	return e, err
}

// SampleSize returns how many units a subgroup needs so that an x̄ chart with a false alarm every
// inControl subgroups signals a move of the process level by shift (in standard deviations of a
// single value) after no more than signal subgroups on average; and the width of the limits that
// go with it, in standard deviations of the mean.
func SampleSize(shift, inControl, signal float64) (n int, width float64, err error) {
	if err := checkDesign(shift, inControl); err != nil {
		return 0, 0, err
	}
	if !(signal > 1 && signal < inControl) {
		return 0, 0, fmt.Errorf("design: to signal after %v subgroups: want more than 1 and less than the %v between false alarms", signal, inControl)
	}
	width = -distuv.UnitNormal.Quantile(1 / (2 * inControl))
	missed := func(n int) bool {
		return 1/(1-Shewhart{Width: width}.Miss(shift*math.Sqrt(float64(n)))) > signal
	}
	const most = 1 << 40
	hi := 1
	for missed(hi) {
		if hi *= 2; hi > most {
			return 0, 0, fmt.Errorf("design: a shift of %v standard deviations needs more units than anybody has", shift)
		}
	}
	for lo := hi / 2; hi-lo > 1; { // missed at lo, seen at hi
		if mid := (lo + hi) / 2; missed(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, width, nil
}

// MissS returns the chance that the point of an s chart (subgroups of n, limits c4 ± width·c5 times
// the known σ, the lower one not below zero) stays inside when σ has become ratio times as large:
// over ratio, the operating characteristic of the chart. A width of 0 means 3.
func MissS(n int, width, ratio float64) (float64, error) {
	if err := checkSpreadMiss(n, ratio); err != nil {
		return 0, err
	}
	l := nonNegative(C4(n), sdOfSD(C4(n)), Options{Width: width}.width())
	law := distuv.ChiSquared{K: float64(n - 1)}
	at := func(s float64) float64 { return law.CDF(float64(n-1) * s * s / (ratio * ratio)) }
	return at(l.UCL) - at(l.LCL), nil
}

// MissR returns the same for an R chart with limits d2 ± width·d3.
func MissR(n int, width, ratio float64) (float64, error) {
	if err := checkSpreadMiss(n, ratio); err != nil {
		return 0, err
	}
	l := nonNegative(D2(n), D3(n), Options{Width: width}.width())
	return rangeCDF(l.UCL/ratio, n) - rangeCDF(l.LCL/ratio, n), nil
}

func checkSpreadMiss(n int, ratio float64) error {
	if n < 2 {
		return fmt.Errorf("operating characteristic: subgroups of %d: want at least 2", n)
	}
	if !(ratio > 0) || math.IsInf(ratio, 0) {
		return fmt.Errorf("operating characteristic: sigma times %v: want a finite number above zero", ratio)
	}
	return nil
}

// longestDesign is where the integral equations begin to lose the digits that a design needs.
const longestDesign = 1e7

func checkDesign(shift, inControl float64) error {
	if !(shift > 0) || math.IsInf(shift, 0) {
		return fmt.Errorf("design: shift %v: want a number above zero", shift)
	}
	return checkInControl(inControl)
}

func checkInControl(inControl float64) error {
	if !(inControl > 2 && inControl <= longestDesign) {
		return fmt.Errorf("design: a false alarm every %v points: want more than 2, at most %g", inControl, longestDesign)
	}
	return nil
}

// ewmaWidth finds the width of the limits for a wanted run length in control.
func ewmaWidth(e EWMA, inControl float64) (float64, error) {
	widest := -distuv.UnitNormal.Quantile(1 / (2 * inControl))
	return limitFor(inControl, widest, func(width float64) (RunLength, error) {
		e.Width = width
		return RunLength{Mean: e.runLength(0)}, nil
	})
}

// cusumLimit finds h for a wanted run length in control.
func cusumLimit(s CUSUM, inControl float64) (CUSUM, error) {
	// Siegmund (1985, Sequential Analysis, equation 2.57): one side without allowance for h lasts
	// (e^(2kb) − 2kb − 1)/(2k²) with b = h + 1.166, which is close.
	guess := 0.25
	for siegmund(math.Max(s.K, 1e-3), guess)/2 < inControl {
		guess *= 1.1
	}
	h, err := limitFor(inControl, guess*1.2+0.5, func(h float64) (RunLength, error) {
		s.H = h
		return s.RunLength(0)
	})
	s.H = h
	return s, err
}

func siegmund(k, h float64) float64 {
	b := h + 1.166
	return (math.Expm1(2*k*b) - 2*k*b) / (2 * k * k)
}

// limitFor finds the limit at which a chart has the wanted run length in control; run lengths grow with
// the limit and that at widest is long enough.
func limitFor(inControl, widest float64, runLength func(limit float64) (RunLength, error)) (float64, error) {
	if err := checkInControl(inControl); err != nil {
		return 0, err
	}
	var failed error
	logRatio := func(limit float64) float64 {
		r, err := runLength(limit)
		if err != nil {
			failed = err
			return math.NaN()
		}
		return math.Log(r.Mean / inControl)
	}
	limit := rootBetween(logRatio, widest*1e-3, widest*(1+1e-9))
	if failed != nil {
		return 0, failed
	}
	if math.IsNaN(limit) {
		return 0, fmt.Errorf("design: no limit gives a false alarm every %v points", inControl)
	}
	return limit, nil
}
