package drift

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat"
)

// String names a place by its lot and time as far as they are known, else by its number.
func (p Place) String() string {
	var words []string
	if p.Lot != "" {
		words = append(words, "lot "+p.Lot)
	}
	if !p.Time.IsZero() {
		words = append(words, p.Time.Format("2006-01-02 15:04"))
	}
	if words == nil {
		return fmt.Sprintf("value %d", p.Number+1)
	}
	return strings.Join(words, ", ")
}

// Text says in a sentence what happened; unit is that of the values.
func (c Change) Text(unit string) string {
	with := func(v float64, digits float64) string { return strings.TrimSuffix(Figure(v, digits)+" "+unit, " ") }
	u := c.Now.U
	per := "point"
	if c.Timed {
		per = "day"
	}
	between := ""
	if c.Earliest != c.Latest {
		between = fmt.Sprintf(" (between %s and %s)", c.Earliest, c.Latest)
	}
	switch c.Form {
	case Step:
		return fmt.Sprintf("moved by %s to %s at %s%s", Signed(c.Size(), u, unit), with(c.After, u), c.Onset, between)
	case Ramp:
		half := (c.SlopeInterval.High - c.SlopeInterval.Low) / 2
		return fmt.Sprintf("drifts since %s%s by %s a %s (%s to %s), so far by %s to %s", c.Onset, between,
			Signed(c.Slope, half, unit), per, Figure(c.SlopeInterval.Low, half), Figure(c.SlopeInterval.High, half), Signed(c.Size(), u, unit), with(c.After, u))
	}
	text := "no move is shown"
	if c.Why != "" {
		text += ": " + c.Why
	}
	return text
}

// Short says the same in a few words, for a picture.
func (c Change) Short(unit string) string {
	since := c.Onset.short()
	if c.Earliest != c.Latest {
		since += fmt.Sprintf(" (%s to %s)", c.Earliest.short(), c.Latest.short())
	}
	switch c.Form {
	case Step:
		return fmt.Sprintf("step of %s at %s", Signed(c.Size(), c.Now.U, unit), since)
	case Ramp:
		half := (c.SlopeInterval.High - c.SlopeInterval.Low) / 2
		per := "point"
		if c.Timed {
			per = "day"
		}
		return fmt.Sprintf("drift of %s a %s (%s to %s) since %s", Signed(c.Slope, half, unit), per,
			Figure(c.SlopeInterval.Low, half), Figure(c.SlopeInterval.High, half), since)
	}
	return c.Text(unit)
}

// short names a place by its lot, else its time, else its number.
func (p Place) short() string {
	switch {
	case p.Lot != "":
		return p.Lot
	case !p.Time.IsZero():
		return p.Time.Format("2006-01-02 15:04")
	}
	return fmt.Sprint(p.Number + 1)
}

// Signed writes a number with its sign and unit, rounded to two digits of its uncertainty.
func Signed(v, uncertainty float64, unit string) string {
	text := Figure(v, uncertainty)
	if !strings.HasPrefix(text, "−") && strings.Trim(text, "0.") != "" {
		text = "+" + text
	}
	return strings.TrimSuffix(text+" "+unit, " ")
}

// Figure writes a number rounded to two digits of its uncertainty.
func Figure(v, uncertainty float64) string {
	decimals := 3
	if uncertainty > 0 && !math.IsInf(uncertainty, 0) {
		decimals = min(max(1-int(math.Floor(math.Log10(uncertainty))), 0), 9)
	}
	text := fmt.Sprintf("%.*f", decimals, v)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return strings.Replace(text, "-", "−", 1)
}

func mean(x []float64) float64 { return stat.Mean(x, nil) }
