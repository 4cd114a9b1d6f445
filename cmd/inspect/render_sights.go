package main

import (
	"fmt"
	"strconv"
	"strings"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A sight is one way in which every sample is looked at.
type sight struct {
	view    reading.View
	turnDeg float64
	focus   reading.Focus
	name    string // for file names
	scope   *scope.Scope
}

// look puts it into a scene.
func (v sight) look(s *synth.Scene) {
	s.TurnDeg, s.Optics.Focus = v.turnDeg, v.focus
	if v.focus == "" {
		s.Optics.DefocusPx = 0
	}
}

// sights reads --view; without it, the first view that the part can show.
func (o *renderOptions) sights(p *part.Part) ([]sight, error) {
	var all []sight
	for _, text := range o.views {
		v, err := parseSight(text)
		if err != nil {
			return nil, usageError{fmt.Errorf("--view: %w", err)}
		}
		if err := synth.Shows(p, v.view); err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	if len(all) == 0 {
		v, err := firstView(p)
		if err != nil {
			return nil, err
		}
		all = append(all, sight{view: v, name: string(v)})
	}
	scopes := map[reading.View]*scope.Scope{}
	for i, v := range all {
		if scopes[v.view] == nil {
			sc, err := o.chooseScope(p, v.view)
			if err != nil {
				return nil, err
			}
			scopes[v.view] = sc
		}
		all[i].scope = scopes[v.view]
	}
	return all, nil
}

// parseSight reads VIEW[/tip|/base][/90|/180|/270].
func parseSight(text string) (sight, error) {
	words := strings.Split(strings.ToLower(text), "/")
	view, err := intake.ParseView(words[0])
	if err == nil && view == "" {
		err = fmt.Errorf("%q names no view", text)
	}
	v := sight{view: view, name: strings.Join(words, "-")}
	for _, w := range words[1:] {
		switch w {
		case string(reading.Tip), string(reading.Base):
			v.focus = reading.Focus(w)
		case "90", "180", "270":
			v.turnDeg, _ = strconv.ParseFloat(w, 64) // one of the three
		default:
			return v, fmt.Errorf("%q: after the view come /tip or /base, and /90, /180 or /270, not %q", text, w)
		}
	}
	return v, err
}

func firstView(p *part.Part) (reading.View, error) {
	for _, v := range reading.Views {
		// A die that can be seen through is looked at that way.
		if v == reading.DiePlan && synth.Shows(p, reading.DieIR) == nil {
			continue
		}
		if synth.Shows(p, v) == nil {
			return v, nil
		}
	}
	return "", fmt.Errorf("part %s has nothing to show: %w", p.Name, synth.Shows(p, reading.DiePlan))
}

// sameSample gives a scene the sample of another: what belongs to the part and not to the picture.
func (o *renderOptions) sameSample(s, first *synth.Scene) {
	s.SubstrateScale, s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = first.SubstrateScale, first.OffsetXUm, first.OffsetYUm, first.ThetaDeg
	seed := s.Array.Seed
	debris := s.Array.Debris
	s.Array = first.Array
	s.Array.Seed, s.Array.Debris = seed, debris
}
