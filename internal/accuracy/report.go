package accuracy

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
)

// A Set is one scored set of pictures.
type Set struct {
	Name    string
	Scores  []*Score // all pictures first, then by view, then by view and part
	Retakes Retakes

	Decode, Analysis []float64           // seconds a picture: reading and decoding the file, and all the rest
	Errors           map[string][]string // pictures by what went wrong with them
	Workers          int
}

// NewSet scores the answers to a set.
func NewSet(name string, truths []Truth, measured map[string]Measured, answers []Answer, workers int) *Set {
	s := &Set{Name: name, Workers: workers, Errors: map[string][]string{}}
	s.Scores, s.Retakes = Compare(truths, measured)
	for _, a := range answers {
		if a.Err != nil {
			text := strings.NewReplacer("measure "+a.Job.Path+": ", "", a.Job.Path+": ", "").Replace(a.Err.Error())
			s.Errors[text] = append(s.Errors[text], a.Name)
			continue
		}
		s.Decode = append(s.Decode, a.Decode.Seconds())
		s.Analysis = append(s.Analysis, a.Measure.Seconds())
	}
	return s
}

const intro = "# Accuracy\n\n" +
	"Written by `make accuracy`; don't edit. Pictures with exact truth are measured as anybody's would be and " +
	"held against the truth afterwards.\n\n" +
	"- error = measured − true; RMS, 95 % (95th percentile) and worst are of its absolute value. θ in px is what it moves the corner of the die (of the array) by.\n" +
	"- × bound: RMS of error over the picture's Cramér–Rao bound, sizes and mark spacing unknown; 1 is the best that an unbiased program does on average, and with n pictures the figure itself scatters by 1/√(2n). Beyond ±3, bias z means a bias.\n" +
	"- in ±1.96 u: share of true values inside the stated uncertainty, 95 % is right; error/u: its RMS, 1 is right. Of sites both axes count, of tilts as vectors where the picture shows both.\n" +
	"- gross: pictures with an error beyond 1 px. refused: good pictures called `retake`. lost: pictures without an answer.\n"

// Markdown writes the page of all sets.
func Markdown(w io.Writer, sets []*Set) error {
	var b strings.Builder
	b.WriteString(intro)
	for _, s := range sets {
		s.markdown(&b)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (s *Set) markdown(b *strings.Builder) {
	all := s.Scores[0]
	fmt.Fprintf(b, "\n## %s\n\n%d pictures, %d of them unusable on purpose.\n\n", s.Name, all.Images+s.Retakes.Images, s.Retakes.Images)
	s.goals(b)
	b.WriteString("\n| pictures | n | measured | refused | lost | gross |\n|---|---:|---:|---:|---:|---:|\n")
	for _, g := range s.groups() {
		fmt.Fprintf(b, "| %s | %d | %d | %d | %d | %d |\n", g.title(), g.Images, g.Measured, len(g.Refused), len(g.Lost), g.grossPictures())
	}
	s.components(b)
	s.arrays(b)
	s.retakes(b)
	s.seconds(b)
	listing(b, "Good pictures refused", all.Refused)
	listing(b, "Without an answer", all.Lost)
	listing(b, "Missing ones overlooked", all.Overlooked)
	listing(b, "Falsely called missing", all.FalseMissing)
	var gross []string
	for _, m := range all.Gross {
		gross = append(gross, fmt.Sprintf("%s %s by %s px", m.Image, m.Component, number(m.Px)))
	}
	listing(b, "Gross errors", gross)
	for _, text := range slices.Sorted(maps.Keys(s.Errors)) {
		listing(b, "Error “"+text+"”", s.Errors[text])
	}
}

// groups leaves out groups that hold the same pictures as another that says more.
func (s *Set) groups() []*Score {
	var groups []*Score
	for _, g := range s.Scores {
		same := slices.ContainsFunc(s.Scores, func(h *Score) bool {
			return h != g && h.Images == g.Images && strings.HasPrefix(h.Name, g.Name)
		})
		if g == s.Scores[0] && len(s.Scores) > 3 || !same {
			groups = append(groups, g)
		}
	}
	return groups
}

func (s *Set) components(b *strings.Builder) {
	b.WriteString("\n| pictures | | RMS | 95 % | worst | RMS px | 95 % px | worst px | worst picture | × bound | (sizes known) | bias z | in ±1.96 u | error/u |\n" +
		"|---|---|---:|---:|---:|---:|---:|---:|---|---:|---:|---:|---:|---:|\n")
	for _, g := range s.groups() {
		for i, c := range g.Components {
			if len(c.Err) == 0 {
				continue
			}
			fmt.Fprintf(b, "| %s | %s %s | %s | %s | %s | %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", g.title(), components[i].name, components[i].unit,
				number(rms(c.Err)), number(quantile(c.Err, 0.95)), number(quantile(c.Err, 1)),
				number(rms(c.Px)), number(quantile(c.Px, 0.95)), number(quantile(c.Px, 1)), c.Worst,
				number(rms(c.Ratio)), number(rms(c.RatioKnown)), number(c.BiasZ()), percent(c.Covered()), number(rms(c.Pull)))
		}
	}
}

func (s *Set) arrays(b *strings.Builder) {
	if s.Scores[0].SiteImages == 0 {
		return
	}
	b.WriteString("\n| arrays | sites | missing found | falsely called | unreported | RMS x µm | RMS y µm | RMS px per axis | worst px | × bound | tilt RMS ° | tilt vector RMS ° | leaning found | falsely called |\n" +
		"|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|\n")
	for _, g := range s.groups() {
		if g.SiteImages == 0 {
			continue
		}
		fmt.Fprintf(b, "| %s | %d | %d of %d | %d | %d | %s | %s | %s | %s | %s | %s | %s | %d of %d | %d of %d |\n", g.title(), g.Sites,
			g.MissingFound, g.Missing, len(g.FalseMissing), g.Unreported, number(rms(g.SiteDX)), number(rms(g.SiteDY)),
			number(rms(g.SitePx)/math.Sqrt2), number(quantile(g.SitePx, 1)), number(rms(g.SiteRatio)),
			number(rms(g.TiltErr)), number(rms(g.TiltVec)), g.TiltedFound, g.Tilted, g.TiltFalse, g.Upright)
	}
	s.stated(b)
	fmt.Fprintf(b, "\nLeaning means a true tilt beyond %g°; true tilts within %g° of that count neither way.\n", tiltLimitDeg, tiltGreyDeg)
}

// stated writes how true the uncertainties of the sites' values are.
func (s *Set) stated(b *strings.Builder) {
	b.WriteString("\n| arrays | | values | RMS | in ±1.96 u | error/u |\n|---|---|---:|---:|---:|---:|\n")
	for _, g := range s.groups() {
		for _, v := range [...]struct {
			name  string
			err   []float64
			pulls *Pulls
		}{
			{"place, µm", slices.Concat(g.SiteDX, g.SiteDY), &g.SitePulls},
			{"tilt, °", g.TiltErr, &g.TiltPulls},
			{"diameter, µm", g.Diameter, &g.DiameterPulls},
		} {
			if n := len(v.pulls.Pull) + v.pulls.BadU; n > 0 {
				fmt.Fprintf(b, "| %s | %s | %d | %s | %s | %s |\n", g.title(), v.name, n, number(rms(v.err)), percent(v.pulls.Covered()), number(rms(v.pulls.Pull)))
			}
		}
	}
}

func (s *Set) retakes(b *strings.Builder) {
	r := s.Retakes
	if r.Images == 0 {
		return
	}
	fmt.Fprintf(b, "\nUnusable pictures: %d of %d refused, %d with the right reason", r.Refused, r.Images, r.RightReason)
	var by []string
	for _, why := range slices.Sorted(maps.Keys(r.ByReason)) {
		by = append(by, fmt.Sprintf("%s %d of %d", why, r.ByReason[why][1], r.ByReason[why][0]))
	}
	fmt.Fprintf(b, " (%s).\n", strings.Join(by, ", "))
	listing(b, "Measured although unusable", r.MeasuredAnyway)
	listing(b, "Unusable, without an answer", r.Lost)
	listing(b, "Refused for another reason", r.WrongReason)
}

func (s *Set) seconds(b *strings.Builder) {
	if len(s.Decode) == 0 {
		return
	}
	fmt.Fprintf(b, "\nSeconds a picture, median (95 %%): reading and decoding the file %s (%s), analysis %s (%s); analysis over decoding in all %s. Workers: %d.\n",
		number(quantile(s.Decode, 0.5)), number(quantile(s.Decode, 0.95)), number(quantile(s.Analysis, 0.5)), number(quantile(s.Analysis, 0.95)),
		number(mean(s.Analysis)/mean(s.Decode)), s.Workers)
}

func (g *Score) title() string {
	if g.Name == "" {
		return "all"
	}
	return g.Name
}

// grossPictures counts pictures, not values.
func (g *Score) grossPictures() int {
	seen := map[string]bool{}
	for _, m := range g.Gross {
		seen[m.Image] = true
	}
	return len(seen)
}

// listing writes the first few of what is worth naming.
func listing(b *strings.Builder, title string, items []string) {
	const most = 20
	if len(items) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s: %s", title, strings.Join(items[:min(len(items), most)], "; "))
	if len(items) > most {
		fmt.Fprintf(b, " and %d more", len(items)-most)
	}
	b.WriteString(".\n")
}

// number writes three significant digits, a dash for what there is none of.
func number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "–"
	}
	if a := math.Abs(x); a >= 1000 || a < 1e-4 && a > 0 {
		return fmt.Sprintf("%.2e", x)
	}
	return fmt.Sprintf("%.3g", x)
}

func percent(x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return fmt.Sprintf("%.1f %%", 100*x)
}
