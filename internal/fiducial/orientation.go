package fiducial

import (
	"math"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
)

// disc returns the disc that tells the orientation as a mark.
func disc(o part.Orientation) *part.Marks {
	return &part.Marks{Shape: part.Disc, DiameterMm: o.DiameterMm}
}

// look returns how well a mark is seen at a place of the drawing under a pose, 0 to 1.
func (v view) look(m *part.Marks, pose geom.Pose, xMm, yMm float64) float64 {
	t := v.template(m)
	x, y := v.toSmall(v.plane.ToImage(pose.ToScope(geom.MmPoint(xMm, yMm))))
	// An error means that the place lies outside the picture: nothing is seen there.
	peaks, err := cv.Peaks(v.small, t, cv.PeakOptions{Max: 1, Within: square(x, y, t.W/2+4)})
	if err != nil || len(peaks) == 0 {
		return 0
	}
	return math.Abs(peaks[0].Score)
}

const (
	restsOnFixture = ": that the sample lies the right way round rests on the fixture"
	// likelier is by how much more a corner must look like a mark than another to be believed.
	likelier = 0.2
)

// orientation refuses a sample that lies the wrong way round though its marks don't show it.
func (f *Found) orientation(v view, p *part.Part, g *guess) error {
	switch p.Orientation.By {
	case "disc":
		return f.byDisc(v, p.Orientation)
	case "absent-mark":
		return f.byAbsentMark(v, p, g)
	}
	return nil
}

// byDisc looks for the disc at its place and where it would be after quarter turns.
func (f *Found) byDisc(v view, o part.Orientation) error {
	x, y := o.XMm, o.YMm
	here := v.look(disc(o), f.Pose, x, y)
	if here >= sureScore {
		return nil
	}
	best, quarter := sureScore, 0
	for q := 1; q < 4; q++ {
		x, y = -y, x
		if s := v.look(disc(o), f.Pose, x, y); s >= best && s > here {
			best, quarter = s, q
		}
	}
	if quarter != 0 {
		return wrongWay(quarter)
	}
	f.Warnings = append(f.Warnings, "the orientation mark can't be seen"+restsOnFixture)
	return nil
}

// byAbsentMark looks, where a mark isn't seen, whether one is in the corner that should have none:
// then the corner without a mark is another one, and the sample lies turned by as much.
func (f *Found) byAbsentMark(v view, p *part.Part, g *guess) error {
	o := p.Orientation
	if g.count == len(p.Marks.At) {
		return nil
	}
	absent := v.look(p.Marks, f.Pose, o.XMm, o.YMm)
	for i, k := range g.seen {
		if k >= 0 {
			continue
		}
		pl := p.Marks.At[i]
		if absent < minScore || absent < v.look(p.Marks, f.Pose, pl.XMm, pl.YMm)+likelier {
			continue
		}
		turn := math.Atan2(pl.YMm, pl.XMm) - math.Atan2(o.YMm, o.XMm)
		if q := (int(math.Round(turn/(math.Pi/2))) + 4) % 4; q != 0 {
			return wrongWay(q)
		}
	}
	f.Warnings = append(f.Warnings, "not all marks can be seen"+restsOnFixture)
	return nil
}
