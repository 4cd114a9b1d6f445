// Torture draws random pictures of dies, or of caps, with everything that can go wrong, measures them
// and says which were measured right, which refused, and which misled it. With -sites it does the same
// with arrays of columns and balls, site by site. It is for those who work on the program: make torture
// and make torture-sites run it. The same seeds give the same pictures.
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"

	"golang.org/x/sync/errgroup"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

type options struct {
	n, sites                  int
	seed, only                uint64
	parts, kind, out, overlay string
	view                      string
	widthPx, workers          int
}

func main() {
	var o options
	flag.IntVar(&o.n, "n", 5000, "pictures to draw and measure")
	flag.IntVar(&o.sites, "sites", 0, "draw arrays instead of dies, until they hold so many sites")
	flag.Uint64Var(&o.seed, "seed", 1, "seed of the first picture; the others follow by one")
	flag.StringVar(&o.kind, "fault", "", "take only faults whose name matches this regular expression")
	flag.Uint64Var(&o.only, "only", 0, "draw and measure the picture of this seed alone")
	flag.StringVar(&o.out, "o", "", "with -only: write the picture, PNG, here")
	flag.StringVar(&o.overlay, "overlay", "", "with -only: write what was measured, drawn over the picture, PNG, here")
	flag.StringVar(&o.view, "view", string(reading.DiePlan), "what to draw: die-plan, die-ir or cap-plan")
	flag.StringVar(&o.parts, "parts", "", "part files, separated by commas; empty: the examples that the view is for")
	flag.IntVar(&o.widthPx, "width-px", 0, "width of the pictures; 0 means 1024, for arrays and caps 2048")
	flag.IntVar(&o.workers, "workers", runtime.GOMAXPROCS(0), "pictures at a time")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Stdout, o); err != nil {
		fmt.Fprintln(os.Stderr, "torture:", err)
		os.Exit(1)
	}
}

// views are what can be drawn: the examples that a view is for, and how wide its pictures are.
var views = map[reading.View]struct {
	parts   string
	widthPx int
}{
	reading.DiePlan: {"examples/parts/tern.yaml,examples/parts/wren.yaml", 1024},
	reading.DieIR:   {"examples/parts/plover.yaml", 1024},
	reading.CapPlan: {"examples/parts/tern.yaml", 2048},
}

func run(ctx context.Context, w io.Writer, o options) error {
	cv.SetThreads(1)
	o.view = cmp.Or(o.view, string(reading.DiePlan))
	view, ok := views[reading.View(o.view)]
	if !ok {
		return fmt.Errorf("-view is %q: want die-plan, die-ir or cap-plan", o.view)
	}
	b := &bench{view: reading.View(o.view), widthPx: cmp.Or(o.widthPx, view.widthPx)}
	b.kinds = kinds(b.view)
	for _, path := range strings.Split(cmp.Or(o.parts, view.parts), ",") {
		bytes, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		p, err := part.Load(bytes, filepath.Base(path))
		if err != nil {
			return err
		}
		b.parts = append(b.parts, p)
	}
	if o.sites > 0 {
		return b.arrays(ctx, w, o)
	}
	if o.only != 0 {
		return b.one(w, o)
	}
	wanted, err := regexp.Compile(o.kind)
	if err != nil {
		return err
	}
	all, err := b.many(ctx, o, wanted)
	if err != nil {
		return err
	}
	if err := table(w, b.kinds, all); err != nil {
		return err
	}
	fmt.Fprintln(w)
	list(w, all)
	return nil
}

// many measures the pictures of n seeds from the first on whose fault is wanted.
func (b *bench) many(ctx context.Context, o options, wanted *regexp.Regexp) ([]outcome, error) {
	var seeds []uint64
	for i := 0; len(seeds) < o.n && i < o.n*len(b.kinds); i++ {
		seed := o.seed + uint64(i)
		if wanted.MatchString(b.kinds[seed%uint64(len(b.kinds))].name) {
			seeds = append(seeds, seed)
		}
	}
	out := make([]outcome, len(seeds))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(max(o.workers, 1))
	for i, seed := range seeds {
		g.Go(func() error {
			if gctx.Err() != nil {
				return context.Cause(gctx)
			}
			t, err := b.try(seed)
			out[i] = t.outcome
			return err
		})
	}
	return out, g.Wait()
}

// A trial is one picture with what was made of it.
type trial struct {
	outcome
	scene   *scene
	gray    *picture.Gray
	reading *reading.Reading
}

// try draws and measures the picture of a seed.
func (b *bench) try(seed uint64) (*trial, error) {
	s, k, g, truth, err := b.draw(seed)
	if err != nil {
		return nil, fmt.Errorf("seed %d, %s: %w", seed, k.name, err)
	}
	t := &trial{outcome: outcome{seed: seed, kind: k.name}, scene: s, gray: g}
	t.reading, err = measure.Shot(g, measure.Job{Part: s.measuredAs, Scope: s.Scope, Shot: reading.Shot{View: b.view}, Today: s.Scope.Calibrated})
	if err != nil {
		t.class, t.detail = programError, err.Error()
		return t, nil
	}
	t.class, t.detail = judge(s, k, truth, t.reading)
	if n, out := untouched(s, truth); n < 2 || out > 0 {
		t.detail += fmt.Sprintf("; %d marks untouched, %d out", n, out)
	}
	datum := "outline"
	if m := s.Part.Marks; b.view != reading.CapPlan || s.Part.Cap.Datum == "marks" {
		datum = fmt.Sprintf("%d × %s", len(m.At), m.Shape)
	}
	t.detail = fmt.Sprintf("%s (%s, %s, %s)", t.detail, s.Part.Name, datum, scopeOf(s.Scope))
	return t, nil
}

// one draws, measures and shows the picture of one seed.
func (b *bench) one(w io.Writer, o options) error {
	t, err := b.try(o.only)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%s: seed %d, %s: %s\n", classNames[t.class], t.seed, t.kind, t.detail)
	if o.out != "" {
		if err := writePNG(o.out, shown(t.gray)); err != nil {
			return err
		}
	}
	if o.overlay == "" {
		return nil
	}
	if t.reading == nil {
		return errors.New("there is no reading to draw")
	}
	img, err := overlay.Draw(t.gray, t.reading, t.scene.measuredAs, t.scene.Scope)
	if err != nil {
		return err
	}
	return writePNG(o.overlay, img)
}

// shown returns a picture as an image of Go's library.
func shown(g *picture.Gray) image.Image {
	img := image.NewGray(image.Rect(0, 0, g.W, g.H))
	for i, v := range g.Pix {
		img.SetGray(i%g.W, i/g.W, color.Gray{Y: uint8(int(v) * 255 / cmp.Or(g.FullScale, 255))})
	}
	return img
}

func writePNG(path string, img image.Image) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(png.Encode(f, img), f.Close())
}
