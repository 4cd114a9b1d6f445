package main

import (
	"math/rand/v2"
	"slices"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// vary returns an invented part of the same manner, as a view shows it.
func vary(p *part.Part, v reading.View, rng *rand.Rand) *part.Part {
	q := copyOf(p)
	q.Name += "-variant"
	switch v {
	case reading.DieIR:
		varyInfrared(q, rng)
	case reading.CapPlan:
		varyCap(q, rng)
	default:
		varyDie(q, rng)
	}
	return q
}

func between(rng *rand.Rand, a, b float64) float64 { return a + (b-a)*rng.Float64() }

// varyDie gives a part another die and other marks around it.
func varyDie(q *part.Part, rng *rand.Rand) {
	d := q.Die
	d.WidthMm, d.HeightMm, d.TopMm = d.WidthMm*between(rng, 0.7, 1.1), d.HeightMm*between(rng, 0.7, 1.1), between(rng, 0, 1)
	d.XMm, d.YMm, d.Bumps = between(rng, -0.3, 0.3), between(rng, -0.3, 0.3), nil
	q.Marks = marksAround(d.WidthMm/2, d.HeightMm/2, rng)
	m := q.Marks
	x, y := m.At[1].XMm, m.At[1].YMm
	if rng.IntN(2) == 0 {
		q.Orientation = part.Orientation{By: "absent-mark", XMm: -x, YMm: -y}
		m.At = m.At[:3]
	} else {
		q.Orientation = part.Orientation{By: "disc", XMm: -x, YMm: y + m.SizeMm()/2 + 0.8, DiameterMm: 0.5}
	}
	q.Limits.BumpUm = 0
}

// marksAround returns four marks of some shape at the corners of a body of half sides.
func marksAround(halfWMm, halfHMm float64, rng *rand.Rand) *part.Marks {
	m := &part.Marks{Shape: []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square}[rng.IntN(4)]}
	switch m.Shape {
	case part.Cross:
		m.LengthMm = between(rng, 0.7, 1.2)
		m.ArmWidthMm = m.LengthMm * between(rng, 0.18, 0.3)
	case part.Ring:
		m.DiameterMm = between(rng, 0.6, 1)
		m.InnerMm = m.DiameterMm * between(rng, 0.4, 0.6)
	case part.Disc:
		m.DiameterMm = between(rng, 0.3, 0.7)
	case part.Square:
		m.LengthMm = between(rng, 0.3, 0.6)
	}
	x := halfWMm + m.SizeMm()/2 + between(rng, 0.7, 1.5)
	y := halfHMm + m.SizeMm()/2 + between(rng, 0.7, 1.5)
	m.At = []part.Place{{Name: "F1", XMm: -x, YMm: y}, {Name: "F2", XMm: x, YMm: y}, {Name: "F3", XMm: x, YMm: -y}, {Name: "F4", XMm: -x, YMm: -y}}
	return m
}

// varyInfrared gives a part another die, other marks above and below it and other ones on the die.
func varyInfrared(q *part.Part, rng *rand.Rand) {
	d := q.Die
	d.WidthMm, d.HeightMm = d.WidthMm*between(rng, 0.8, 1.1), d.HeightMm*between(rng, 0.8, 1.1)
	d.TopMm, d.XMm, d.YMm = between(rng, 0.2, 0.8), between(rng, -0.2, 0.2), between(rng, -0.2, 0.2)
	m := &part.Marks{Shape: part.Disc, DiameterMm: between(rng, 0.25, 0.4)}
	if rng.IntN(2) == 0 {
		m.Shape = part.Cross
		m.LengthMm = between(rng, 0.35, 0.5)
		m.ArmWidthMm = m.LengthMm * between(rng, 0.2, 0.3)
	}
	x, y := d.WidthMm/2*between(rng, 0.6, 0.9), d.HeightMm/2+between(rng, 0.4, 0.6)
	m.At = []part.Place{{Name: "F1", XMm: -x, YMm: y}, {Name: "F2", XMm: x, YMm: y}, {Name: "F3", XMm: x, YMm: -y}, {Name: "F4", XMm: -x, YMm: -y}}
	q.Marks = m
	own := &part.Marks{Shape: []part.MarkShape{part.Cross, part.Square}[rng.IntN(2)], PlaneMm: d.Marks.PlaneMm}
	own.LengthMm = between(rng, 0.12, 0.2)
	if own.Shape == part.Cross {
		own.ArmWidthMm = own.LengthMm * between(rng, 0.25, 0.35)
	}
	x, y = d.WidthMm/2-between(rng, 0.2, 0.4), d.HeightMm/2-between(rng, 0.2, 0.4)
	own.At = []part.Place{{Name: "D1", XMm: -x, YMm: y}, {Name: "D2", XMm: x, YMm: y}, {Name: "D3", XMm: x, YMm: -y}, {Name: "D4", XMm: -x, YMm: -y}}
	d.Marks = own
	b := *d.Bumps
	b.Columns, b.Rows = int(2*(x-0.1)/b.PitchMm), int(2*(y-0.1)/b.PitchMm)
	d.Bumps = &b
	q.Limits.BumpUm = 0
}

// varyCap gives a part another cap, and in one of two a datum by marks around it.
func varyCap(q *part.Part, rng *rand.Rand) {
	c := *q.Cap
	c.WidthMm, c.HeightMm = c.WidthMm*between(rng, 0.6, 1.1), c.HeightMm*between(rng, 0.6, 1.1)
	c.CornerRadiusMm, c.TopMm = between(rng, 0.4, 2), between(rng, 1, 3)
	c.XMm, c.YMm = between(rng, -0.5, 0.5), between(rng, -0.5, 0.5)
	if rng.IntN(2) == 0 {
		c.Datum = "marks"
		q.Marks = marksAround(c.WidthMm/2+0.3, c.HeightMm/2+0.3, rng)
		q.Orientation = part.Orientation{By: "fixture"}
	}
	q.Cap = &c
}

// copyOf returns a part that shares nothing of its marks, die and cap with p.
func copyOf(p *part.Part) *part.Part {
	q := *p
	if p.Marks != nil {
		q.Marks = copyOfMarks(p.Marks)
	}
	if p.Die != nil {
		d := *p.Die
		if d.Marks != nil {
			d.Marks = copyOfMarks(d.Marks)
		}
		q.Die = &d
	}
	if p.Cap != nil {
		c := *p.Cap
		q.Cap = &c
	}
	return &q
}

func copyOfMarks(m *part.Marks) *part.Marks {
	n := *m
	n.At = slices.Clone(m.At)
	return &n
}
