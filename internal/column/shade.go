package column

import "slices"

// Shadows of the outermost columns may reach the substrate's edge. Beside them the light falls off
// toward the column and not toward the edge, so that profiles through them put the edge where it
// isn't; between them there are clean ones.
const (
	shadeDrop  = 0.08 // share of the level by which shade must be darker to be told from grain
	shadeKeep  = 0.35 // how far down from the bright to the dark a clean profile may lie
	shadeShare = 0.2  // of the profiles that must be left
	shadeMean  = 2    // profiles to both sides over which a level is averaged
)

// withoutShade leaves out the profiles of each side that cross shadows; pitch is that of the array
// in profiles.
func withoutShade(raw []strip, pitch int) []strip {
	out := raw[:0]
	for from := 0; from < len(raw); {
		to := from
		for to < len(raw) && raw[to].side == raw[from].side {
			to++
		}
		out = append(out, litOf(raw[from:to], pitch)...)
		from = to
	}
	return out
}

// litOf returns the profiles of one side that lie in the light: all where there is no shade.
func litOf(side []strip, pitch int) []strip {
	n := len(side)
	half := 3 * pitch / 4
	if n < 4*half || half < 4 {
		return side
	}
	level := make([]float64, n)
	for i := range side {
		lo, hi := max(0, i-shadeMean), min(n, i+shadeMean+1)
		for k := lo; k < hi; k++ {
			level[i] += side[k].in / float64(hi-lo)
		}
	}
	// Within three quarters of a pitch to both sides there is light as well as shade.
	lit := make([]bool, n)
	kept, shaded := 0, 0
	// The window slides: its levels stay sorted while one enters and one leaves.
	window := slices.Grow(slices.Clone(level[:half]), half+2)
	slices.Sort(window)
	for i := range side {
		if k := i + half; k < n {
			at, _ := slices.BinarySearch(window, level[k])
			window = slices.Insert(window, at, level[k])
		}
		if k := i - half - 1; k >= 0 {
			at, _ := slices.BinarySearch(window, level[k])
			window = slices.Delete(window, at, at+1)
		}
		bright, dark := window[len(window)*9/10], window[len(window)/10]
		drop := bright - dark
		if drop > shadeDrop*bright {
			shaded++
		}
		if lit[i] = drop <= shadeDrop*bright || level[i] > bright-shadeKeep*drop; lit[i] {
			kept++
		}
	}
	if shaded < n/4 || float64(kept) < shadeShare*float64(n) {
		return side
	}
	out := make([]strip, 0, kept)
	for i := range side {
		if lit[i] {
			out = append(out, side[i])
		}
	}
	return out
}
