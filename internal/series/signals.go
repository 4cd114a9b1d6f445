package series

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// A Signal is a rule that fired, at one point or again and again at points in a row.
type Signal struct {
	Rule     spc.Rule
	From, To int    // [spc.Point.Index] of the first and last point that completed the pattern
	Points   []int  // positions in [spc.Chart.Points] of all points of the patterns, in order
	Text     string // what happened and what it usually means, in a sentence
}

// Signals joins the hits of a chart that repeat each other. names are those of the points'
// subgroups, of is what they are ("lot"); both may be empty.
func Signals(ch *spc.Chart, names []string, of string) (signals []Signal) {
	type key struct {
		rule spc.Rule
		side int
	}
	open := map[key]int{} // signal that a hit of this kind would continue
	first := map[int]spc.Hit{}
	last := map[int]int{} // position of its last hit
	for _, h := range ch.Hits {
		k := key{h.Rule, h.Side}
		if i, ok := open[k]; ok && last[i] == h.At-1 {
			last[i] = h.At
			signals[i].To = ch.Points[h.At].Index
			signals[i].Points = append(signals[i].Points, h.At)
			continue
		}
		i := len(signals)
		open[k], first[i], last[i] = i, h, h.At
		at := ch.Points[h.At].Index
		signals = append(signals, Signal{Rule: h.Rule, From: at, To: at, Points: h.Points()})
	}
	for i := range signals {
		s := &signals[i]
		s.Text = ch.Explain(first[i]) + nameOf(s.From, names, of)
		switch n := s.To - s.From; {
		case n == 1:
			s.Text += fmt.Sprintf(", and at point %d%s", s.To+1, nameOf(s.To, names, of))
		case n > 1:
			s.Text += fmt.Sprintf(", and at every point up to %d%s", s.To+1, nameOf(s.To, names, of))
		}
	}
	return signals
}

func nameOf(index int, names []string, of string) string {
	if index >= len(names) || names[index] == "" {
		return ""
	}
	if of != "" {
		of += " "
	}
	return fmt.Sprintf(" [%s%s]", of, names[index])
}
