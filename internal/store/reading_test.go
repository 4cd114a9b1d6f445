package store

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
)

// noon is when the tests' invented line has its day.
var noon = time.Date(2031, 3, 5, 12, 0, 0, 0, time.UTC)

// shaOf is the digest of an invented picture.
func shaOf(picture string) string {
	sum := sha256.Sum256([]byte(picture))
	return hex.EncodeToString(sum[:])
}

// aDie is the invented reading number i of a line: a die every minute, heads H1 and H2 in turn,
// lots of five, each seventh rejected.
func aDie(i int) *reading.Reading {
	rng := rand.New(rand.NewPCG(1, uint64(i)))
	r := &reading.Reading{Schema: reading.Schema}
	r.Source = reading.Source{
		Picture: fmt.Sprintf("line/%06d.png", i), SHA256: shaOf(fmt.Sprint("die", i)), Part: "tern", PartHash: shaOf("tern.yaml"),
		Scope: "bench-1", ScopeHash: shaOf("bench-1.yaml"), Program: "v1.0.0", OpenCV: "4.6.0", WidthPx: 1024, HeightPx: 1024, BitsPerPx: 8,
	}
	r.Shot = reading.Shot{
		View: reading.DiePlan, Lot: fmt.Sprintf("L%05d", i/5), Sample: fmt.Sprintf("L%05d-%d", i/5, i%5), Head: fmt.Sprintf("H%d", 1+i%2),
		Nozzle: fmt.Sprintf("N%d", 1+i%4), Operator: "A", TakenAt: noon.Add(time.Duration(i) * time.Minute).Format(time.RFC3339),
	}
	r.Verdict.Decision = reading.Accept
	if i%7 == 6 {
		r.Verdict = reading.Verdict{Decision: reading.Reject, Reasons: []reading.Reason{{What: "offset_x_um", Decision: reading.Reject, Value: 30, Expanded: 0.4, Limit: 25, Text: "offset X, 30.0 ± 0.4 µm, is beyond its limit of 25 µm"}}}
	}
	r.Quality = reading.Quality{NoiseDN: rng.Float64(), BlurPx: 1 + rng.Float64()}
	r.Substrate = &reading.Substrate{OriginXPx: 512 + rng.Float64(), TurnDeg: rng.NormFloat64(), UTurnDeg: 1e-4, Scale: 0.997, UScale: 1e-6}
	r.Offset = &reading.Offset{Of: "die", XUm: 10 * rng.NormFloat64(), YUm: 10 * rng.NormFloat64(), ThetaDeg: rng.NormFloat64() / 10, UXUm: 0.2, UYUm: 0.2, UTheta: 1e-3}
	return r
}

// anArray is an invented reading of n columns, each tenth or so missing at random.
func anArray(i, n int) *reading.Reading {
	r := aDie(i)
	r.Source.SHA256 = shaOf(fmt.Sprint("array", i))
	r.Shot.View = reading.ColumnPlan
	r.Offset = nil
	rng := rand.New(rand.NewPCG(2, uint64(i)))
	a := &reading.Array{Kind: "columns", UXUm: 0.1, UYUm: 0.1, Scale: 1}
	for k := range n {
		s := reading.Site{Name: fmt.Sprintf("%c%d", 'A'+k%5, 1+k/5), State: reading.Present, XPx: 1000 * rng.Float64(), YPx: 1000 * rng.Float64()}
		if rng.IntN(10) == 0 {
			s.State = reading.Missing
			a.Missing++
		} else {
			s.DXUm, s.DYUm, s.UUm = 5*rng.NormFloat64(), 5*rng.NormFloat64(), 0.3
			s.TiltDeg, s.AzimuthDeg, s.UTiltDeg = rng.Float64(), 360*rng.Float64(), 0.05
			s.DiameterUm = 500 + rng.Float64()
			if k%2 == 0 {
				s.Foot = &reading.Foot{DXUm: rng.NormFloat64(), DYUm: rng.NormFloat64(), UUm: 0.4}
			}
			a.Present++
		}
		a.Sites = append(a.Sites, s)
	}
	r.Array = a
	return r
}

// aRetake is a picture that couldn't be measured.
func aRetake(i int) *reading.Reading {
	r := aDie(i)
	r.Verdict = reading.Verdict{Decision: reading.Retake}
	r.Refusal = &reading.Refusal{Gate: "saturated", Got: 3.1, Limit: 1, Unit: "% of pixels", Instruction: "lower the light"}
	r.Substrate, r.Offset = nil, nil
	return r
}

// asJSON is what two readings are compared by: as somebody has it who reads what inspect measure
// writes.
func asJSON(t interface{ Fatal(...any) }, r *reading.Reading) string {
	b, err := json.Marshal(r)
	if err == nil {
		again := new(reading.Reading)
		if err = json.Unmarshal(b, again); err == nil {
			b, err = json.Marshal(again)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// anyReading draws readings of every shape, most of them such as no measurement would yield.
func anyReading(t *rapid.T) *reading.Reading {
	num := rapid.Custom(func(t *rapid.T) float64 {
		v := rapid.Float64().Draw(t, "v")
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return math.Copysign(0, -1)
		}
		return v
	})
	word := rapid.SampledFrom([]string{"", "H1", "L 1042", "Ø-7", "a\"b\\c", "行1", "x\x00y", "<&>", "\xff"})
	r := aDie(rapid.IntRange(0, 5).Draw(t, "i"))
	r.Shot = reading.Shot{
		View: rapid.SampledFrom(reading.Views[:]).Draw(t, "view"), Lot: word.Draw(t, "lot"), Sample: word.Draw(t, "sample"),
		Head: word.Draw(t, "head"), Nozzle: word.Draw(t, "nozzle"), PickPosition: word.Draw(t, "pick"), Operator: word.Draw(t, "operator"),
		TakenAt: rapid.SampledFrom([]string{"", "yesterday", "2031-03-05", "2031-03-05 06:01", "2031-03-05T06:01:00.123456789+05:30", "1969-07-20T20:17:40Z"}).Draw(t, "taken"),
	}
	if rapid.Bool().Draw(t, "placed") {
		r.Shot.Stage = &reading.Stage{XMm: num.Draw(t, "stage"), YMm: num.Draw(t, "stage")}
	}
	r.Offset.XUm, r.Offset.UXUm, r.Quality.BlurPx = num.Draw(t, "x"), num.Draw(t, "u"), num.Draw(t, "blur")
	switch rapid.IntRange(0, 3).Draw(t, "shape") {
	case 0:
		r.Refusal = &reading.Refusal{Gate: word.Draw(t, "gate"), Got: num.Draw(t, "got"), Instruction: word.Draw(t, "do")}
		r.Verdict.Decision = reading.Retake
		r.Offset, r.Substrate = nil, nil
	case 1:
		r.Warnings = rapid.SliceOf(word).Draw(t, "warnings")
		r.Offset.Edges = []reading.Edge{{Side: "+x", Profile: []*float64{nil, new(num.Draw(t, "profile"))}}}
		r.Offset.Bump = &reading.Bump{Row: 1, MissUm: num.Draw(t, "miss")}
	default:
		r.Array = &reading.Array{Kind: word.Draw(t, "kind"), Missing: rapid.IntRange(0, 1e6).Draw(t, "missing"), XUm: num.Draw(t, "ax")}
		if rapid.Bool().Draw(t, "empty") {
			r.Array.Sites = []reading.Site{}
		}
		site := rapid.Custom(func(t *rapid.T) reading.Site {
			s := reading.Site{
				Name: word.Draw(t, "name"), State: rapid.SampledFrom([]string{reading.Present, reading.Missing, reading.Tilted, "", "new"}).Draw(t, "state"),
				XPx: num.Draw(t, "x"), YPx: num.Draw(t, "y"), DXUm: num.Draw(t, "dx"), DYUm: num.Draw(t, "dy"), UUm: num.Draw(t, "u"),
				TiltDeg: num.Draw(t, "tilt"), AzimuthDeg: num.Draw(t, "azimuth"), UTiltDeg: num.Draw(t, "utilt"), DiameterUm: num.Draw(t, "diameter"),
			}
			if rapid.Bool().Draw(t, "more") {
				more(t, reflect.ValueOf(&s).Elem(), num)
			}
			if rapid.Bool().Draw(t, "side") {
				s.Silhouette = &reading.Silhouette{HeightUm: num.Draw(t, "h"), FootUm: num.Draw(t, "foot"), BendUm: num.Draw(t, "bend"), USeatingUm: num.Draw(t, "seat")}
			}
			return s
		})
		r.Array.Sites = append(r.Array.Sites, rapid.SliceOfN(site, 0, 8).Draw(t, "sites")...)
	}
	return r
}

// more fills the pointers and texts of a struct that are empty, and what they lead to: fields that
// nobody has told the store of must come back too.
func more(t *rapid.T, v reflect.Value, num *rapid.Generator[float64]) {
	for i := range v.NumField() {
		switch f := v.Field(i); {
		case f.Kind() == reflect.Pointer && f.IsNil() && f.Type().Elem().Kind() == reflect.Struct:
			f.Set(reflect.New(f.Type().Elem()))
			more(t, f.Elem(), num)
		case f.Kind() == reflect.String && f.Len() == 0:
			f.SetString("side 90°")
		case f.Kind() == reflect.Float64 && f.IsZero():
			f.SetFloat(num.Draw(t, v.Type().Field(i).Name))
		}
	}
}

func mustRecord(t testing.TB, s *Store, r *reading.Reading) int64 {
	t.Helper()
	id, _, err := s.Record(t.Context(), Record{Reading: r, At: noon})
	if err != nil {
		t.Fatal(err)
	}
	return id
}
