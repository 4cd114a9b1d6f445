package series

import (
	"fmt"
	"slices"
)

// Between turns counts, row by row, into the numbers of rows without events from one row with events to
// the next, which a g chart shows; at holds the index of the row that ended each. The rows before the
// first event and after the last one aren't ended by one and are left out.
func Between(counts []float64) (between []float64, at []int) {
	last := -1
	for i, c := range counts {
		if c == 0 {
			continue
		}
		if last >= 0 {
			between = append(between, float64(i-last-1))
			at = append(at, i)
		}
		last = i
	}
	return between, at
}

// HoursBetween returns the hours from each time of a column to the next, which a t chart shows. Times
// are put in order first; two events at one time are an error.
func (t *Table) HoursBetween(column string) ([]float64, error) {
	own := *t
	if err := own.Sort(column); err != nil {
		return nil, err
	}
	c, err := own.column(column)
	if err != nil {
		return nil, err
	}
	var hours []float64
	for i := 1; i < len(own.rows); i++ {
		before, _ := ParseTime(own.rows[i-1][c]) // Sort has read them all
		after, _ := ParseTime(own.rows[i][c])
		h := after.Sub(before).Hours()
		if h == 0 {
			return nil, fmt.Errorf("%s:%d: column %s: two events at %s: no time lies between them, merge them into one", t.File, max(own.lines[i-1], own.lines[i]), column, own.rows[i][c])
		}
		hours = append(hours, h)
	}
	return hours, nil
}

// AreTimes reports whether every row of a column holds a time, and there is one.
func (t *Table) AreTimes(column string) bool {
	c, err := t.column(column)
	if err != nil || len(t.rows) == 0 {
		return false
	}
	return !slices.ContainsFunc(t.rows, func(row []string) bool { _, ok := ParseTime(row[c]); return !ok })
}
