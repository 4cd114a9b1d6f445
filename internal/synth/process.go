package synth

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// A Process is a placer at work: where it puts dies, hour after hour, and what is wrong with it.
type Process struct {
	Subgroups, Size           int // pulled from the line, one subgroup a lot
	Start                     time.Time
	Every                     time.Duration // from one subgroup to the next
	MeanXUm, MeanYUm          float64
	SigmaXUm, SigmaYUm        float64
	SigmaThetaDeg             float64
	DriftFrom                 int     // subgroup, from 1, after which the placer drifts
	DriftXUm                  float64 // a subgroup
	Heads, Nozzles, Positions int
	OffHead                   int     // from 1; 0: none
	OffHeadYUm                float64 // what it places off
}

// Production returns a process of a day and a half in which the placer drifts along X from the
// 13th subgroup on, and head 2 places 14 µm too far along Y all the time.
func Production() Process {
	return Process{
		Subgroups: 25, Size: 5, Start: time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC), Every: 90 * time.Minute,
		MeanXUm: 2, MeanYUm: -1, SigmaXUm: 4, SigmaYUm: 4, SigmaThetaDeg: 0.03,
		DriftFrom: 12, DriftXUm: 1.5, Heads: 3, Nozzles: 4, Positions: 4, OffHead: 2, OffHeadYUm: 14,
	}
}

// A Unit is one sample of a process with its particulars.
type Unit struct {
	Subgroup                        int // from 1
	Lot, Sample, Head, Nozzle, Pick string
	TakenAt                         time.Time
	XUm, YUm, ThetaDeg              float64
}

// Units returns the samples in the order in which they were taken.
func (p Process) Units(rng *rand.Rand) []Unit {
	var units []Unit
	for g := range p.Subgroups {
		for i := range p.Size {
			head := 1 + (g+i)%max(p.Heads, 1)
			u := Unit{
				Subgroup: g + 1, Lot: fmt.Sprintf("L%d", 4100+g), Sample: fmt.Sprintf("%02d", i+1),
				Head: fmt.Sprintf("H%d", head), Nozzle: fmt.Sprintf("N%d", 1+rng.IntN(max(p.Nozzles, 1))), Pick: fmt.Sprint(1 + i%max(p.Positions, 1)),
				TakenAt:  p.Start.Add(time.Duration(g)*p.Every + time.Duration(i)*8*time.Minute),
				XUm:      p.MeanXUm + float64(max(g+1-p.DriftFrom, 0))*p.DriftXUm + p.SigmaXUm*rng.NormFloat64(),
				YUm:      p.MeanYUm + p.SigmaYUm*rng.NormFloat64(),
				ThetaDeg: p.SigmaThetaDeg * rng.NormFloat64(),
			}
			if head == p.OffHead {
				u.YUm += p.OffHeadYUm
			}
			units = append(units, u)
		}
	}
	return units
}
