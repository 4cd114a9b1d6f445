package column_test

import (
	"math"
	"testing"
)

// Under a perspective lens tips lie beside their feet, the more the farther from the axis, and their
// blurred light reaches the rings. Feet must not be drawn toward the tips by it.
func TestFeetUnderPerspective(t *testing.T) {
	p := columnPart()
	p.Array.Rows, p.Array.Columns, p.Array.Absent = 14, 16, nil
	p.Substrate.WidthMm, p.Substrate.HeightMm = 17.6, 15.6
	s := perspective(17, 110) // at the corners tips are seen 210 µm outside of their feet
	stands := scatter(p, 31)
	a := mustPlan(t, columnScene(1160, 1040, p, s, poseAt(40, -60, 1.2, 1), 1.6, stands).gray(0, 0, 1, 31), noiseModel(1), p, s).Array
	list, err := p.Array.Sites()
	if err != nil {
		t.Fatal(err)
	}
	var n, e2, z2, out, rr, tilt2 float64
	for i, site := range a.Sites {
		d := stands[site.Name]
		if site.Foot == nil {
			t.Fatalf("%s: no foot seen", site.Name)
		}
		ex, ey := site.Foot.DXUm-d.footX, site.Foot.DYUm-d.footY
		x, y := list[i].At.X.Mm(), list[i].At.Y.Mm()
		n += 2
		e2 += ex*ex + ey*ey
		z2 += (ex*ex + ey*ey) / (site.Foot.UUm * site.Foot.UUm)
		out += ex*x + ey*y
		rr += x*x + y*y
		sin, cos := math.Sincos(site.AzimuthDeg * math.Pi / 180)
		deg := 180 / math.Pi / 2200
		tx, ty := site.TiltDeg*cos-d.leanX*deg, site.TiltDeg*sin-d.leanY*deg
		tilt2 += tx*tx + ty*ty
	}
	t.Logf("feet %.2f µm per axis, error over u %.2f, outward %.2f µm a mm, tilt %.3f°", math.Sqrt(e2/n), math.Sqrt(z2/n), out/rr, math.Sqrt(tilt2/n))
	if per := out / rr; math.Abs(per) > 0.5 {
		t.Errorf("feet drawn outward by %.2f µm a mm", per)
	}
	if rms := math.Sqrt(tilt2 / n); rms > 0.1 {
		t.Errorf("tilt %.3f° RMS per axis, want 0.1°", rms)
	}
}
