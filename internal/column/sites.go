package column

import (
	"fmt"

	"plumbsquare/internal/part"
)

// A site is one place of the array as drawn.
type site struct {
	name     string
	row, col int     // from 1: row A on top, column 1 at the left
	x, y     float64 // µm from the drawing's origin
}

// sites lists the sites that the part has.
func sites(p *part.Part) ([]site, error) {
	if p.Array == nil {
		return nil, fmt.Errorf("column: part %s has no array", p.Name)
	}
	if p.Array.PitchMm <= 0 || p.Array.DiameterMm <= 0 {
		return nil, fmt.Errorf("column: part %s: pitch and diameter of the array must be above 0 mm", p.Name)
	}
	named, err := p.Array.Sites()
	if err != nil {
		return nil, fmt.Errorf("column: part %s: %w", p.Name, err)
	}
	if len(named) == 0 {
		return nil, fmt.Errorf("column: part %s: every site of the array is absent", p.Name)
	}
	out := make([]site, len(named))
	for i, s := range named {
		out[i] = site{name: s.Name, row: s.Row, col: s.Column, x: s.At.X.Um(), y: s.At.Y.Um()}
	}
	return out, nil
}
