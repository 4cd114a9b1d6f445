package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"time"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A reversalResult is what a reversal finds, as --json prints it. The bias is in the scope frame:
// positive where the scope shows a plane at that height too far right, or too far up.
type reversalResult struct {
	Scope    string         `json:"scope"`
	HeightMm float64        `json:"height_mm"` // of the plane over the datum
	XUm      float64        `json:"bias_x_um"`
	YUm      float64        `json:"bias_y_um"`
	UXUm     float64        `json:"u_bias_x_um"`
	UYUm     float64        `json:"u_bias_y_um"`
	TiltXDeg float64        `json:"tilt_x_deg"` // of the axis that would do that
	TiltYDeg float64        `json:"tilt_y_deg"`
	UTiltX   float64        `json:"u_tilt_x_deg"`
	UTiltY   float64        `json:"u_tilt_y_deg"`
	Pairs    []reversalPair `json:"pairs"`
}

// A reversalPair is one sample both ways round: its own bias, and its offset freed of it.
type reversalPair struct {
	Lot      string       `json:"lot,omitempty"`
	Sample   string       `json:"sample,omitempty"`
	View     reading.View `json:"view"`
	Pictures [2]string    `json:"pictures"`
	BiasXUm  float64      `json:"bias_x_um"`
	BiasYUm  float64      `json:"bias_y_um"`
	UBiasXUm float64      `json:"u_bias_x_um"`
	UBiasYUm float64      `json:"u_bias_y_um"`
	XUm      float64      `json:"x_um"`
	YUm      float64      `json:"y_um"`
	ThetaDeg float64      `json:"theta_deg"`
	UXUm     float64      `json:"u_x_um"`
	UYUm     float64      `json:"u_y_um"`
	UTheta   float64      `json:"u_theta_deg"`
}

// runReversal measures samples both ways round and reports what of their offsets is the scope's.
func runReversal(ctx context.Context, o measureOptions, args []string) error {
	if o.out != "" || o.csv != "" || o.overlay != "" || o.bumps != "" || o.budget || o.combine {
		return usagef("--reversal reports the scope's bias; measure the pictures without it for readings, tables and overlays")
	}
	jobs, errs, err := o.jobs(args)
	if err != nil {
		return err
	}
	var sc *scope.Scope
	if len(errs) == 0 {
		sc = jobs[0].Scope
		errs = reversalJobs(jobs)
	}
	for _, err := range errs {
		fmt.Fprintf(o.stderr, "inspect: %v\n", err)
	}
	if len(errs) > 0 {
		return errReported
	}
	bar := newProgress(o.stderr, len(jobs))
	options := batch.Options{Program: version(), Today: time.Now(), Workers: o.workers, Progress: bar.step}
	var readings []*reading.Reading
	refused := false
	err = batch.Run(ctx, jobs, options, func(r batch.Result) error {
		switch {
		case r.Err != nil:
			return r.Err
		case r.Reading.Refusal != nil:
			refused = true
			bar.around(func() { fmt.Fprintf(o.stderr, "inspect: retake %s: %v\n", r.Job.Path, r.Reading.Refusal) })
		default:
			readings = append(readings, r.Reading)
		}
		return nil
	})
	bar.end()
	if err != nil {
		return err
	}
	pairs, errs := measure.Pairs(readings)
	for _, err := range errs {
		fmt.Fprintf(o.stderr, "inspect: %v\n", err)
	}
	if len(pairs) == 0 {
		return errReported
	}
	res, err := reverse(sc, heightMm(jobs[0].Part, jobs[0].Shot.View), pairs)
	if err != nil {
		return err
	}
	if o.json {
		err = json.NewEncoder(o.stdout).Encode(res)
	} else {
		err = res.write(o.stdout)
	}
	if err == nil && o.writeScope != "" {
		err = res.writeScope(sc, o.writeScope)
	}
	if err == nil && (refused || len(errs) > 0) {
		return errNotAccepted
	}
	return err
}

// reversalJobs prepares jobs for a reversal: two pictures of which nobody said how they lie are
// taken one way and the other, and the scope is taken as it was before any reversal. It returns
// why it can't be one.
func reversalJobs(jobs []intake.Job) (errs []error) {
	if len(jobs) == 2 && jobs[0].Shot.TurnDeg == jobs[1].Shot.TurnDeg {
		jobs[1].Shot.TurnDeg = 180
		jobs[0].Shot.TurnDeg = 0
	}
	for i, j := range jobs {
		first := jobs[0]
		switch {
		case heightMm(j.Part, j.Shot.View) <= 0:
			errs = append(errs, fmt.Errorf("%s: view %s of part %s shows nothing above its datum, so an axis out of square moves nothing", j.Path, j.Shot.View, j.Part.Name))
		case j.Scope.Hash != first.Scope.Hash:
			errs = append(errs, fmt.Errorf("%s: taken with scope %s, the first picture with %s; a reversal is of one scope", j.Path, j.Scope.Name, first.Scope.Name))
		case heightMm(j.Part, j.Shot.View) != heightMm(first.Part, first.Shot.View):
			errs = append(errs, fmt.Errorf("%s: what it shows lies at another height than in the first picture; give pictures of one part and view", j.Path))
		}
		jobs[i].Scope = j.Scope.WithoutBias()
	}
	return errs
}

// heightMm returns how far above its datum (marks, or the substrate's surface) lies what a view is measured by; 0 for none.
func heightMm(p *part.Part, v reading.View) float64 {
	switch {
	case p.Array != nil && v == reading.ColumnPlan:
		return p.Array.HeightMm - datumMm(p)
	case p.Array != nil && v == reading.BallPlan:
		return p.Array.EquatorMm - datumMm(p)
	case p.Marks == nil:
		return 0
	case v == reading.DiePlan && p.Die != nil:
		return p.Die.TopMm - p.Marks.PlaneMm
	case v == reading.DieIR && p.Die != nil && p.Die.Marks != nil:
		return p.Die.Marks.PlaneMm - p.Marks.PlaneMm
	case v == reading.CapPlan && p.Cap != nil && p.Cap.Datum == "marks":
		return p.Cap.TopMm - p.Marks.PlaneMm
	}
	return 0
}

// datumMm is how high an array's datum lies above the substrate.
func datumMm(p *part.Part) float64 {
	if p.Array.Datum == "marks" && p.Marks != nil {
		return p.Marks.PlaneMm
	}
	return 0
}

func reverse(sc *scope.Scope, height float64, pairs []measure.Pair) (*reversalResult, error) {
	res := &reversalResult{Scope: sc.Name, HeightMm: height}
	var all []*offset.Reversal
	for _, p := range pairs {
		r, err := offset.Reverse(p[0], p[1])
		if err != nil {
			return nil, fmt.Errorf("%s and %s: %w", p[0].Source.Picture, p[1].Source.Picture, err)
		}
		all = append(all, r)
		res.Pairs = append(res.Pairs, reversalPair{
			Lot: p[0].Shot.Lot, Sample: p[0].Shot.Sample, View: p[0].Shot.View,
			Pictures: [2]string{p[0].Source.Picture, p[1].Source.Picture},
			BiasXUm:  r.BiasXUm, BiasYUm: r.BiasYUm, UBiasXUm: math.Sqrt(r.BiasCov[0][0]), UBiasYUm: math.Sqrt(r.BiasCov[1][1]),
			XUm: r.XUm, YUm: r.YUm, ThetaDeg: r.ThetaDeg,
			UXUm: math.Sqrt(r.Cov[0][0]), UYUm: math.Sqrt(r.Cov[1][1]), UTheta: math.Sqrt(r.Cov[2][2]),
		})
	}
	res.XUm, res.YUm, res.UXUm, res.UYUm = offset.MeanBias(all)
	tilt := func(um float64) float64 { return geom.Angle(math.Atan2(um, 1000*height)).Deg() }
	res.TiltXDeg, res.TiltYDeg, res.UTiltX, res.UTiltY = tilt(res.XUm), tilt(res.YUm), tilt(res.UXUm), tilt(res.UYUm)
	return res, nil
}

func (r *reversalResult) write(w io.Writer) error {
	fmt.Fprintf(w, "%-36s %17s %17s %17s %17s\n", "pair", "bias x, µm", "bias y, µm", "X ± U, µm", "Y ± U, µm")
	for _, p := range r.Pairs {
		fmt.Fprintf(w, "%s %17s %17s %17s %17s\n", padded(filepath.Base(p.Pictures[0])+" "+filepath.Base(p.Pictures[1]), 36, false),
			plusMinus(p.BiasXUm, p.UBiasXUm), plusMinus(p.BiasYUm, p.UBiasYUm), plusMinus(p.XUm, p.UXUm), plusMinus(p.YUm, p.UYUm))
	}
	_, err := fmt.Fprintf(w, "\nscope %s at %g mm above the datum: bias x %s µm, y %s µm (k = 2; + is right and up in the picture),\nas of an axis that leans by %s° and %s°.\n",
		r.Scope, r.HeightMm, plusMinus(r.XUm, r.UXUm), plusMinus(r.YUm, r.UYUm), plusMinus(r.TiltXDeg, r.UTiltX), plusMinus(r.TiltYDeg, r.UTiltY))
	if len(r.Pairs) == 1 {
		_, err = fmt.Fprintln(w, "One pair can't show how alike samples sit: take five or more before you rely on the uncertainty.")
	}
	return err
}

// writeScope writes the scope file with the bias in it.
func (r *reversalResult) writeScope(sc *scope.Scope, name string) error {
	s := *sc
	s.BiasXUm, s.BiasYUm, s.UBiasXUm, s.UBiasYUm, s.BiasHeightMm = r.XUm, r.YUm, r.UXUm, r.UYUm, r.HeightMm
	data, err := s.YAML()
	if err != nil {
		return err
	}
	f, err := createOut(name)
	if err != nil {
		return err
	}
	if _, err := f.Write(data); err != nil {
		return err
	}
	return f.close()
}
