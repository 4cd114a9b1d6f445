package performance

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// PartDir and pictureDir are where the checkout keeps example parts and pictures.
const (
	PartDir    = "examples/parts"
	pictureDir = "testdata/images"
)

// Options says how much is done; the zero value of no field works.
type Options struct {
	Program  string // inspect, for its memory
	Pictures int    // of each kind
	WidthPx  int    // of those that methods are compared on
	Rounds   int    // of each timing
	Progress func(step string)
}

// Run measures everything, from the checkout's root.
func Run(o Options) (*Page, error) {
	if err := cv.SetThreads(1); err != nil {
		return nil, err
	}
	parts := map[string]*part.Part{}
	for _, name := range []string{"tern", "wren", "plover"} {
		file := filepath.Join(PartDir, name+".yaml")
		data, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		if parts[name], err = part.Load(data, file); err != nil {
			return nil, err
		}
	}
	tmp, err := os.MkdirTemp("", "performance")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	var page Page
	return &page, errors.Join(page.costs(o, parts, tmp), page.compare(o, parts))
}

var kinds = []struct {
	part string
	view reading.View
}{
	{"tern", reading.DiePlan}, {"wren", reading.DiePlan}, {"plover", reading.DieIR}, {"tern", reading.CapPlan},
	{"tern", reading.ColumnPlan}, {"tern", reading.ColumnSide}, {"wren", reading.BallPlan},
}

func (page *Page) costs(o Options, parts map[string]*part.Part, tmp string) error {
	var all []*Picture
	for i, k := range kinds {
		o.Progress(fmt.Sprintf("cost of %s, %s", k.view, k.part))
		pics, err := Draw(parts[k.part], k.view, 3, 2048, false, 100+uint64(i))
		if err != nil {
			return err
		}
		c, err := CostOf(pics, o.Rounds)
		if err != nil {
			return err
		}
		m, err := PeakMemory(o.Program, tmp, pics[0])
		if err != nil {
			return err
		}
		page.Costs, page.Memory = append(page.Costs, c), append(page.Memory, m)
		all = append(all, pics...)
	}
	// What a run of production keeps: marks and sides are as many as in a large picture.
	small, err := Draw(parts["tern"], reading.DiePlan, 3, 512, false, 201)
	if err != nil {
		return err
	}
	c, err := CostOf(small, o.Rounds)
	if err != nil {
		return err
	}
	page.Costs = append(page.Costs, c)
	stored, err := Stored(pictureDir)
	if err != nil {
		return err
	}
	if c, err = CostOf(stored, o.Rounds); err != nil {
		return err
	}
	c.Name = "testdata/images"
	page.Costs = append(page.Costs, c)
	large, err := Draw(parts["tern"], reading.DiePlan, 1, 4096, false, 200)
	if err != nil {
		return err
	}
	m, err := PeakMemory(o.Program, tmp, large[0])
	if err != nil {
		return err
	}
	page.Memory = append(page.Memory, m)
	o.Progress("two cores")
	page.Speedup, err = SpeedupOf(tmp, all, o.Rounds)
	return err
}

func (page *Page) compare(o Options, parts map[string]*part.Part) error {
	dies := []offsetMethod{
		{"plumbsquare", ourOffset},
		{"template matching with parabola for the marks, threshold + minimum-area rectangle", func(p *Picture) *Offset { return rectangleOffset(p, templateMarks) }},
		{"contour moments for the marks, threshold + minimum-area rectangle", func(p *Picture) *Offset { return rectangleOffset(p, momentMarks) }},
	}
	marks := []placeMethod{{"plumbsquare", ourMarks}, {"template matching with parabola", templateMarks}, {"contour moments", momentMarks}}
	sites := []placeMethod{{"plumbsquare", ourSites}, {"circle transform", circleSites}, {"contour moments", momentSites}}
	const aboutDie = "X, Y and θ of the die against the marks; θ is what it moves the die's corner by."

	for i, clean := range []bool{true, false} {
		look := map[bool]string{true: "clean", false: "as a line gives them"}[clean]
		o.Progress("dies, " + look)
		var pics []*Picture
		for _, name := range []string{"tern", "wren"} {
			some, err := Draw(parts[name], reading.DiePlan, o.Pictures, o.WidthPx, clean, 300+uint64(i))
			if err != nil {
				return err
			}
			pics = append(pics, some...)
		}
		page.Tables = append(page.Tables,
			Table{"Dies, " + look, aboutDie, len(pics), offsets(pics, dies)},
			Table{"Marks, " + look, "Distance of each mark from its true place; marks under flux or absent are left out.", len(pics), places(pics, func(p *Picture) map[string]geom.ImagePoint { return p.Marks }, marks)})
		for _, k := range kinds {
			if k.view != reading.ColumnPlan && k.view != reading.BallPlan {
				continue
			}
			o.Progress(string(k.view) + ", " + look)
			pics, err := Draw(parts[k.part], k.view, max(o.Pictures/3, 1), max(o.WidthPx, 1500), clean, 400+uint64(i))
			if err != nil {
				return err
			}
			title := map[reading.View]string{reading.ColumnPlan: "Column tips, ", reading.BallPlan: "Balls, "}[k.view]
			page.Tables = append(page.Tables, Table{title + look, "Distance of each from its true place in the picture.", len(pics), places(pics, func(p *Picture) map[string]geom.ImagePoint { return p.Sites }, sites)})
		}
	}
	o.Progress("stored pictures")
	stored, err := Stored(pictureDir)
	if err != nil {
		return err
	}
	page.Tables = append(page.Tables, Table{"Dies of testdata/images", aboutDie + " Ray-traced and computed pictures, some meant to be hard.", len(stored), offsets(stored, dies)})
	for _, t := range page.Tables {
		for _, s := range t.Scores {
			if math.IsNaN(s.RMSPx) && s.Returned > 0 {
				return fmt.Errorf("%s, %s: an error that is no number", t.Title, s.Method)
			}
		}
	}
	return nil
}
