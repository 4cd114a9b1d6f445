package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

const renderLong = `Render draws synthetic microscope pictures of a part and writes what is true of them beside
them, in a folder that inspect measure takes as it is:

  *.png         the pictures
  traveler.csv  image, part, view, scope, lot, sample, head, nozzle, pick_position, taken_at, turn_deg, focus
  truth.csv     what is true of each picture; lengths in µm, angles in degrees, places in px
  sites/*.csv   what is true of each column or ball
  PART.yaml     the part file, and SCOPE.yaml, the scope that looked

--view takes several views, each with how it is looked at: column-plan/tip is focused on the tips,
column-side/90 shows the sample turned by 90°. All show the same samples.

Without --random every picture shows the same clean sample with what the flags ask for, and
only the noise differs. --random draws samples as a line gives them, askew, dirty and worn;
flags given beside it still hold. --production draws a day and a half of subgroups in which
the placer starts to drift and one head is off. The same seed gives the same pictures.`

const renderExample = `  inspect render tern.yaml --offset-x-um 30 --theta-deg 0.2 -o pictures
  inspect render tern.yaml --view column-plan --missing G14,H3 --tilt K9=3@45 -o columns
  inspect render tern.yaml --random --view column-plan/tip,column-plan/base,column-side,column-side/90 -o both
  inspect render tern.yaml --random -n 20 --seed 7 -o lot && inspect measure lot
  inspect render tern.yaml --production --width-px 1024 -o production
  inspect render tern.yaml --fault defocus -o bad`

type renderOptions struct {
	partFile, scopeFile, dir, lot string
	views                         []string
	n                             int
	seed                          uint64
	random, production, torture   bool
	force, json                   bool

	missing, tilt []string
	fault         string
	torment       []string
	noisePercent  float64
	shrinkPercent float64
	scene         synth.Scene // what flags set directly

	changed        func(flag string) bool
	stdout, stderr io.Writer
}

func newRenderCmd() *cobra.Command {
	var o renderOptions
	cmd := &cobra.Command{
		Use:     "render [flags] PART.yaml",
		Short:   "Draw synthetic pictures with their truth",
		Long:    renderLong,
		Example: renderExample,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.partFile, o.changed = args[0], cmd.Flags().Changed
			o.stdout, o.stderr = cmd.OutOrStdout(), cmd.ErrOrStderr()
			return runRender(cmd.Context(), &o)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.dir, "output", "o", "", "folder to write into (required)")
	f.StringSliceVar(&o.views, "view", nil, "die-plan, die-ir, cap-plan, column-plan, column-side or ball-plan, also /tip, /base, /90, /180, /270; the first that the part can show")
	f.StringVar(&o.scopeFile, "scope", "", "scope file; without it a telecentric scope that shows all of the view")
	f.IntVarP(&o.n, "number", "n", 1, "how many pictures")
	f.Uint64Var(&o.seed, "seed", 1, "of the random numbers")
	f.StringVar(&o.lot, "lot", "L4001", "lot that the traveler names")
	f.BoolVar(&o.random, "random", false, "samples as a line gives them")
	f.BoolVar(&o.torture, "torture", false, "random samples, each with something bad about it")
	f.BoolVar(&o.production, "production", false, "a run of 25 subgroups of 5 with a drift and a head that is off")
	f.BoolVar(&o.force, "force", false, "write over what an earlier render left in the folder")
	f.BoolVar(&o.json, "json", false, "print the truth of each picture as JSON Lines")

	s := &o.scene
	f.Float64Var(&s.OffsetXUm, "offset-x-um", 0, "offset of die, cap or array, drawing frame")
	f.Float64Var(&s.OffsetYUm, "offset-y-um", 0, "likewise along Y")
	f.Float64Var(&s.ThetaDeg, "theta-deg", 0, "rotation of die, cap or array, counter-clockwise")
	f.Float64Var(&s.FixtureXUm, "fixture-x-um", 0, "place of the sample in the picture, from its middle, right")
	f.Float64Var(&s.FixtureYUm, "fixture-y-um", 0, "likewise, up")
	f.Float64Var(&s.FixtureDeg, "fixture-deg", 0, "how the sample is turned in the picture")
	f.Float64Var(&o.shrinkPercent, "shrink-percent", 0, "how much smaller than drawn the ceramic is")
	f.StringSliceVar(&o.missing, "missing", nil, "sites without column or ball, such as G14,H3")
	f.StringSliceVar(&o.tilt, "tilt", nil, "leaning columns, SITE=DEGREES@AZIMUTH, such as G14=3@45")
	f.Float64Var(&s.Optics.BlurPx, "blur-px", 1, "standard deviation of the blur")
	f.Float64Var(&s.Optics.DefocusPx, "defocus-px", 1.5, "how much more blurred the end of the columns is that /tip or /base isn't focused on")
	f.Float64Var(&s.Optics.TiltXDeg, "camera-tilt-x-deg", 0, "tilt of the optical axis: what is h high is shown h·tan too far right")
	f.Float64Var(&s.Optics.TiltYDeg, "camera-tilt-y-deg", 0, "likewise too far up")
	f.Float64Var(&s.Array.LeanDeg, "lean-deg", 0, "lean common to all columns")
	f.Float64Var(&s.Array.LeanAzimuthDeg, "lean-azimuth-deg", 0, "direction of the common lean, counter-clockwise from +X")
	f.Float64Var(&o.noisePercent, "noise-percent", 0.5, "standard deviation of the noise at full light, percent of full scale")
	f.Float64Var(&s.Look.Texture, "texture", 0, "grain of the surfaces: 0 flat, 1 as real ones")
	f.IntVar(&s.Dirt.Glare, "glare", 0, "bright patches across edges")
	f.IntVar(&s.Dirt.Components, "components", 0, "capacitors beside the die")
	f.IntVar(&s.Dirt.Traces, "traces", 0, "traces that come out from under the die")
	f.IntVar(&s.Dirt.Dust, "dust", 0, "specks of dust")
	f.BoolVar(&s.Dirt.FluxRim, "flux-rim", false, "film of flux round the die")
	f.IntVar(&s.Die.Chips, "chips", 0, "chips on the die's edges")
	f.Float64Var(&s.Die.RoughUm, "rough-um", 0, "standard deviation of the sawn edges")
	f.StringVar(&o.fault, "fault", "", "make the picture bad: "+faultNames())
	f.StringSliceVar(&o.torment, "torment", nil, "make the sample or picture hard; a wrong name lists them")
	f.IntVar(&s.WidthPx, "width-px", 0, "width of the picture; the height follows. 0 is 2048, or what the scope needs")
	f.IntVar(&s.Bits, "bits", 8, "bits a pixel: 8, or 12 in a 16-bit file")
	return cmd
}

func faultNames() string {
	var names []string
	for _, f := range synth.Faults {
		names = append(names, string(f))
	}
	return strings.Join(names, ", ")
}

// A shotPlan is one picture to be drawn and what the traveler says of it.
type shotPlan struct {
	name  string // of the file, without folder and extension
	scope *scope.Scope
	unit  synth.Unit
	scene *synth.Scene
	rng   *rand.Rand
}

func runRender(ctx context.Context, o *renderOptions) error {
	plans, p, err := o.plan()
	if err != nil {
		return err
	}
	folder, err := newRenderFolder(o.dir, o.force)
	if err != nil {
		return err
	}
	bar := newProgress(o.stderr, len(plans))
	truths := make([]*synth.Truth, len(plans))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, plan := range plans {
		g.Go(func() error {
			if gctx.Err() != nil {
				return context.Cause(gctx)
			}
			picture, truth, err := synth.Draw(plan.scene, plan.rng)
			if err != nil {
				return err
			}
			truth.Image = plan.name + ".png"
			truths[i] = truth
			err = folder.writeShot(plan.name, picture, truth)
			bar.step()
			return err
		})
	}
	err = g.Wait()
	bar.end()
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("stopped; %s holds pictures without their traveler", o.dir)
	}
	if err != nil {
		return err
	}
	if err := folder.writeTables(p, o.partFile, plans, truths); err != nil {
		return err
	}
	if !o.json {
		_, err := fmt.Fprintf(o.stdout, "%s of part %s in %s; next: inspect measure %s\n", count(len(plans), "picture", "pictures"), p.Name, o.dir, o.dir)
		return err
	}
	enc := json.NewEncoder(o.stdout)
	for _, t := range truths {
		if err := enc.Encode(t); err != nil {
			return err
		}
	}
	return nil
}

// plan decides every picture before the first is drawn, so that what can't be is said at once.
func (o *renderOptions) plan() ([]shotPlan, *part.Part, error) {
	fail := func(err error) ([]shotPlan, *part.Part, error) { return nil, nil, err }
	switch {
	case o.dir == "":
		return fail(usagef("where to? give a folder with -o"))
	case o.n < 1:
		return fail(usagef("--number is %d; want 1 or more", o.n))
	case o.production && (o.random || o.torture || o.changed("number")):
		return fail(usagef("--production decides what it draws; leave out --random, --torture and -n"))
	}
	p, err := loadPart(o.partFile)
	if err != nil {
		return fail(err)
	}
	sights, err := o.sights(p)
	if err != nil {
		return fail(err)
	}
	units := o.units()
	var plans []shotPlan
	for i, u := range units {
		for k, v := range sights {
			rng := rand.New(rand.NewPCG(o.seed, uint64(i)+uint64(k)<<32))
			scene, err := o.scene1(p, v.scope, v.view, u, rng)
			if err != nil {
				return fail(err)
			}
			if len(sights) > 1 {
				scene.Array.Seed = o.seed<<20 + uint64(i) + 1
				if k > 0 {
					o.sameSample(scene, plans[len(plans)-k].scene)
				}
			}
			v.look(scene)
			if err := scene.Check(); err != nil {
				return fail(err)
			}
			plans = append(plans, shotPlan{fmt.Sprintf("%s-%s-%04d", p.Name, v.name, i+1), v.scope, u, scene, rng})
		}
	}
	return plans, p, nil
}

// units returns the samples with their particulars, in the order in which they were taken.
func (o *renderOptions) units() []synth.Unit {
	rng := rand.New(rand.NewPCG(o.seed, 1<<40))
	if o.production {
		return synth.Production().Units(rng)
	}
	start := time.Date(2031, 3, 4, 6, 0, 0, 0, time.UTC)
	units := make([]synth.Unit, o.n)
	for i := range units {
		units[i] = synth.Unit{
			Lot: o.lot, Sample: fmt.Sprintf("%02d", i+1), Head: fmt.Sprintf("H%d", 1+rng.IntN(3)), Nozzle: fmt.Sprintf("N%d", 1+rng.IntN(4)),
			Pick: strconv.Itoa(1 + i%4), TakenAt: start.Add(time.Duration(i) * 11 * time.Minute),
		}
	}
	return units
}

func (o *renderOptions) chooseScope(p *part.Part, v reading.View) (*scope.Scope, error) {
	if o.scopeFile != "" {
		data, err := os.ReadFile(o.scopeFile)
		if err != nil {
			return nil, fmt.Errorf("read scope file: %w", err)
		}
		return scope.Load(data, o.scopeFile)
	}
	width := cmp.Or(o.scene.WidthPx, 2048)
	if v == reading.ColumnSide && o.scene.WidthPx == 0 {
		width = 4096
	}
	if width < 64 || width > 1<<14 {
		return nil, usagef("--width-px is %d; want 64 to %d", width, 1<<14)
	}
	um := synth.FittingScale(p, v, width)
	return &scope.Scope{
		Name: "rendered-" + string(v), UmPerPxX: um, UmPerPxY: um, Camera: scope.Telecentric,
		Calibrated: time.Date(2031, 1, 15, 0, 0, 0, 0, time.UTC), Expires: time.Date(2032, 1, 15, 0, 0, 0, 0, time.UTC),
	}, nil
}

// scene1 returns the scene of one unit: what --random or --production say, and over it the flags.
func (o *renderOptions) scene1(p *part.Part, sc *scope.Scope, v reading.View, u synth.Unit, rng *rand.Rand) (*synth.Scene, error) {
	s := new(synth.Scene)
	switch {
	case o.torture:
		s, _ = synth.Torture(p, sc, v, 0.1, rng)
	case o.random || o.production:
		s = synth.Random(p, sc, v, rng)
		s.Optics.DefocusPx = o.scene.Optics.DefocusPx
	default:
		*s = o.scene
		s.Optics.ReadNoise, s.Optics.ShotNoise = o.noisePercent/200, o.noisePercent/100
		if v == reading.ColumnSide && !o.changed("fixture-y-um") {
			s.FixtureYUm = -350 * p.Array.HeightMm
		}
	}
	s.Part, s.Scope, s.View = p, sc, v
	if o.production {
		s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = u.XUm, u.YUm, u.ThetaDeg
	}
	o.override(s)
	if s.WidthPx > 0 && s.HeightPx == 0 {
		w, h := synth.Size(p, v, sc.UmPerPxX)
		s.HeightPx = max(s.WidthPx*h/w, 1)
	}
	for _, name := range o.missing {
		s.Array.Sites = setSite(s.Array.Sites, synth.SiteState{Site: name, Missing: true})
	}
	for _, text := range o.tilt {
		state, err := parseTilt(text)
		if err != nil {
			return nil, usageError{err}
		}
		s.Array.Sites = setSite(s.Array.Sites, state)
	}
	if o.fault != "" {
		s.Fault = synth.Fault(o.fault)
		if !strings.Contains(", "+faultNames()+",", ", "+o.fault+",") {
			return nil, usagef("--fault: no fault is named %q; there are %s", o.fault, faultNames())
		}
	}
	for _, name := range o.torment {
		if err := synth.ApplyTorment(s, name, rng); err != nil {
			return nil, usageError{fmt.Errorf("--torment: %w", err)}
		}
	}
	return s, nil
}

// override puts the flags that were given into a scene.
func (o *renderOptions) override(s *synth.Scene) {
	from := &o.scene
	for flag, set := range map[string]func(){
		"offset-x-um":       func() { s.OffsetXUm = from.OffsetXUm },
		"offset-y-um":       func() { s.OffsetYUm = from.OffsetYUm },
		"theta-deg":         func() { s.ThetaDeg = from.ThetaDeg },
		"fixture-x-um":      func() { s.FixtureXUm = from.FixtureXUm },
		"fixture-y-um":      func() { s.FixtureYUm = from.FixtureYUm },
		"fixture-deg":       func() { s.FixtureDeg = from.FixtureDeg },
		"shrink-percent":    func() { s.SubstrateScale = 1 - o.shrinkPercent/100 },
		"defocus-px":        func() { s.Optics.DefocusPx = from.Optics.DefocusPx },
		"camera-tilt-x-deg": func() { s.Optics.TiltXDeg = from.Optics.TiltXDeg },
		"camera-tilt-y-deg": func() { s.Optics.TiltYDeg = from.Optics.TiltYDeg },
		"lean-deg":          func() { s.Array.LeanDeg = from.Array.LeanDeg },
		"lean-azimuth-deg":  func() { s.Array.LeanAzimuthDeg = from.Array.LeanAzimuthDeg },
		"blur-px":           func() { s.Optics.BlurPx = from.Optics.BlurPx },
		"noise-percent":     func() { s.Optics.ReadNoise, s.Optics.ShotNoise = o.noisePercent/200, o.noisePercent/100 },
		"texture":           func() { s.Look.Texture = from.Look.Texture },
		"glare":             func() { s.Dirt.Glare = from.Dirt.Glare },
		"components":        func() { s.Dirt.Components = from.Dirt.Components },
		"traces":            func() { s.Dirt.Traces = from.Dirt.Traces },
		"dust":              func() { s.Dirt.Dust = from.Dirt.Dust },
		"flux-rim":          func() { s.Dirt.FluxRim = from.Dirt.FluxRim },
		"chips":             func() { s.Die.Chips = from.Die.Chips },
		"rough-um":          func() { s.Die.RoughUm = from.Die.RoughUm },
		"width-px":          func() { s.WidthPx = from.WidthPx },
		"bits":              func() { s.Bits = from.Bits },
	} {
		if o.changed(flag) {
			set()
		}
	}
}

// setSite gives a site a state in place of the one that it may have.
func setSite(sites []synth.SiteState, state synth.SiteState) []synth.SiteState {
	for i := range sites {
		if sites[i].Site == state.Site {
			sites[i] = state
			return sites
		}
	}
	return append(sites, state)
}

// parseTilt reads SITE=DEGREES or SITE=DEGREES@AZIMUTH.
func parseTilt(text string) (synth.SiteState, error) {
	wrong := fmt.Errorf("--tilt %q: want SITE=DEGREES@AZIMUTH, such as G14=3@45", text)
	name, lean, ok := strings.Cut(text, "=")
	tilt, azimuth, has := strings.Cut(lean, "@")
	if !ok || name == "" {
		return synth.SiteState{}, wrong
	}
	s := synth.SiteState{Site: name}
	var err, errAzimuth error
	s.TiltDeg, err = strconv.ParseFloat(tilt, 64)
	if has {
		s.AzimuthDeg, errAzimuth = strconv.ParseFloat(azimuth, 64)
	}
	if err != nil || errAzimuth != nil || s.TiltDeg < -45 || s.TiltDeg > 45 {
		return s, wrong
	}
	return s, nil
}
