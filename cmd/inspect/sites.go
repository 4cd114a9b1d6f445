package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/sites"
	"plumbsquare/internal/spc"
)

const sitesLong = `Says what readings of many samples (FILE.jsonl, as inspect measure writes) show of the sites of an array:

- which sites are missing, bridged, doubled, tilted or out of place in more samples than chance
  allows: exact binomial test against the array's own rate, false discoveries held to --level
  (Benjamini-Hochberg). Look at what handles these places: a hole of the sieve, a pin of the tool;
- whether leaning columns lean in one direction (circular mean, Rayleigh test): a common direction
  points at the robot or tool that places or handles them;
- with --counts, what each sample counts, for charts: inspect chart COUNTS.csv --kind u --value missing
  --opportunities sites, or --kind g of samples without any.

--by lot, head, nozzle, pick_position, operator or scope studies each by itself. -o NAME.png draws a heat map of
each kind of fault and the rose of leans, --maps FOLDER two maps of every sample: tips off their
sites, and leans.`

const sitesExample = `  inspect sites lot42.jsonl
  inspect sites line.jsonl --by nozzle -o sites.png
  inspect sites line.jsonl --counts counts.csv --maps maps
  inspect sites --json line.jsonl | head -1`

type sitesOptions struct {
	by, out, counts, maps string
	level                 float64
	json                  bool
}

func newSitesCmd() *cobra.Command {
	var o sitesOptions
	cmd := &cobra.Command{
		Use:     "sites [flags] FILE",
		Short:   "Find the sites of arrays that fail again and again, and common leans",
		Long:    sitesLong,
		Example: sitesExample,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runSites(o, args[0], cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.by, "by", "", "study each level of a particular by itself: "+strings.Join(sites.Keys[:], ", "))
	f.Float64Var(&o.level, "level", 0.05, "share of false discoveries among the sites that are named")
	f.StringVarP(&o.out, "output", "o", "", "draw heat maps and roses to files of this name with a word added: .png, .svg or .pdf")
	f.StringVar(&o.counts, "counts", "", "write what each sample counts to this file, CSV")
	f.StringVar(&o.maps, "maps", "", "draw maps of each sample's array into this folder, PNG")
	f.BoolVar(&o.json, "json", false, "print one JSON object a study")
	return cmd
}

func runSites(o sitesOptions, file string, w io.Writer) error {
	if !(o.level > 0 && o.level < 1) {
		return usagef("--level is %g; want more than 0 and less than 1", o.level)
	}
	if o.out != "" {
		if _, err := chart.FormatOf(o.out); err != nil {
			return usageError{err}
		}
	}
	in, err := os.Open(file)
	if err != nil {
		return err
	}
	defer in.Close()
	lines := reading.Lines(in, file)
	if o.maps != "" {
		if err := os.MkdirAll(o.maps, 0o777); err != nil {
			return err
		}
		lines = mapped(lines, o.maps)
	}
	studies, err := sites.Of(lines, o.by, o.level)
	if err != nil {
		return err
	}
	if o.counts != "" {
		if err := writeCounts(o.counts, studies); err != nil {
			return err
		}
	}
	for _, s := range studies {
		if o.out != "" {
			if err := drawStudy(o.out, s, len(studies) > 1); err != nil {
				return err
			}
		}
		if o.json {
			err = json.NewEncoder(w).Encode(studyJSON(s))
		} else {
			err = writeStudy(w, s)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// studyTitle names a study.
func studyTitle(s *sites.Study) string {
	words := []string{s.Part, s.View}
	if s.Key != "" {
		words = append(words, s.Key)
	}
	return strings.Join(words, ", ")
}

func writeStudy(w io.Writer, s *sites.Study) error {
	fmt.Fprintf(w, "%s: %s of %s\n", studyTitle(s), count(len(s.Samples), "sample", "samples"), count(len(s.Sites), "site", "sites"))
	for _, fault := range sites.Faults {
		n := 0
		for _, q := range s.Sites {
			n += q.Failed(fault)
		}
		if n > 0 {
			fmt.Fprintf(w, "  %s: %d in all\n", sites.InWords(fault), n)
		}
	}
	for _, q := range s.Worn {
		fmt.Fprintf(w, "  %s is %s in %d of %d samples (q %s): look at what handles that place\n", q.Site, sites.InWords(q.Fault), q.Failed, q.Looked, chance(q.Q))
	}
	if len(s.Worn) == 0 {
		fmt.Fprintln(w, "  no site fails in more samples than chance allows")
	}
	writeLeans(w, s.Leans, "columns lean beyond the limit")
	writeLeans(w, s.Common, "samples' arrays lean as a whole")
	_, err := fmt.Fprintln(w)
	return err
}

func writeLeans(w io.Writer, c *spc.Circular, what string) {
	switch {
	case c == nil:
	case c.MeanIsShaky:
		fmt.Fprintf(w, "  %d %s, without a common direction (Rayleigh p %s)\n", c.N, what, chance(c.RayleighP))
	default:
		fmt.Fprintf(w, "  %d %s, mostly toward %.0f° from +X (mean length %.2f, Rayleigh p %s): look at what places or handles them\n", c.N, what, c.MeanDeg, c.Length, chance(c.RayleighP))
	}
}

func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// chance writes what a probability is.
func chance(p float64) string {
	if p < 0.0001 {
		return "< 0.0001"
	}
	return fmt.Sprintf("= %.2g", p)
}

// A studyOut is a study as --json prints it.
type studyOut struct {
	Part    string         `json:"part"`
	View    string         `json:"view"`
	By      string         `json:"by,omitempty"`
	Samples []sites.Sample `json:"samples"`
	Sites   []siteOut      `json:"sites"` // those that failed at least once
	Worn    []sites.Worn   `json:"repeated"`
	Leans   *leansOut      `json:"leans,omitempty"`
	Common  *leansOut      `json:"common_leans,omitempty"`
}

type siteOut struct {
	Site   string         `json:"site"`
	Looked int            `json:"looked"`
	Failed map[string]int `json:"failed"`
}

type leansOut struct {
	N         int     `json:"n"`
	MeanDeg   float64 `json:"mean_deg"`
	Length    float64 `json:"mean_length"`
	RayleighP float64 `json:"rayleigh_p"`
	Common    bool    `json:"common_direction"`
}

func studyJSON(s *sites.Study) studyOut {
	out := studyOut{Part: s.Part, View: s.View, By: s.Key, Samples: s.Samples, Sites: []siteOut{}, Worn: s.Worn, Leans: leansJSON(s.Leans), Common: leansJSON(s.Common)}
	if out.Worn == nil {
		out.Worn = []sites.Worn{}
	}
	for _, q := range s.Sites {
		if len(q.Faults) == 0 {
			continue
		}
		failed := map[string]int{}
		for fault, f := range q.Faults {
			failed[fault] = f.N
		}
		out.Sites = append(out.Sites, siteOut{q.Name, q.Looked, failed})
	}
	return out
}

func leansJSON(c *spc.Circular) *leansOut {
	if c == nil {
		return nil
	}
	return &leansOut{c.N, c.MeanDeg, c.Length, c.RayleighP, !c.MeanIsShaky}
}

func writeCounts(file string, studies []*sites.Study) error {
	f, err := createOut(file)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	err = w.Write([]string{"part", "view", "by", "lot", "sample", "head", "nozzle", "taken_at", "picture", "sites", "missing", "tilted", "off", "bridged", "doubled"})
	for _, s := range studies {
		for _, m := range s.Samples {
			if err != nil {
				break
			}
			row := []string{s.Part, s.View, s.Key, m.Lot, m.Sample, m.Head, m.Nozzle, m.TakenAt, m.Picture}
			for _, n := range []int{m.Sites, m.Missing, m.Tilted, m.Off, m.Bridged, m.Doubled} {
				row = append(row, strconv.Itoa(n))
			}
			err = w.Write(row)
		}
	}
	w.Flush()
	if err = errors.Join(err, w.Error()); err != nil {
		return errors.Join(err, f.discard())
	}
	return f.close()
}

// drawStudy draws a heat map of each fault that there is, and the rose of leans.
func drawStudy(out string, s *sites.Study, several bool) error {
	ext := filepath.Ext(out)
	name := strings.TrimSuffix(out, ext)
	if several {
		for _, word := range []string{s.Part, s.View, s.Key} {
			if word != "" {
				name += "-" + plain(word)
			}
		}
	}
	worn := map[[2]string]bool{}
	for _, q := range s.Worn {
		worn[[2]string{q.Site, q.Fault}] = true
	}
	for _, fault := range sites.Faults {
		h := chart.Heat{Title: "Sites " + sites.InWords(fault) + ": " + studyTitle(s),
			Notes: []string{fmt.Sprintf("%s, row A on top, column 1 at the left", count(len(s.Samples), "sample", "samples"))}}
		any := false
		for _, q := range s.Sites {
			any = any || q.Failed(fault) > 0
			h.Sites = append(h.Sites, chart.HeatSite{Row: q.Row - s.Sites[0].Row + 1, Column: q.Column, RowName: rowName(q.Name),
				Failed: q.Failed(fault), Looked: q.Looked, Repeated: worn[[2]string{q.Name, fault}]})
		}
		if !any {
			continue
		}
		if err := drawFigure(name+"-"+fault+ext, h); err != nil {
			return err
		}
	}
	if s.Leans == nil {
		return nil
	}
	return drawFigure(name+"-leans"+ext, chart.Rose{Title: "Leans beyond the limit: " + studyTitle(s), Deg: s.LeansDeg,
		MeanDeg: s.Leans.MeanDeg, Length: s.Leans.Length, P: s.Leans.RayleighP, Common: !s.Leans.MeanIsShaky})
}

func rowName(site string) string { return strings.TrimRight(site, "0123456789") }

// mapped draws maps of each array as it passes.
func mapped(lines iter.Seq2[*reading.Reading, error], folder string) iter.Seq2[*reading.Reading, error] {
	return func(yield func(*reading.Reading, error) bool) {
		n := 0
		for r, err := range lines {
			if err == nil && r.Array != nil {
				n++
				err = drawMaps(folder, n, r)
			}
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}
