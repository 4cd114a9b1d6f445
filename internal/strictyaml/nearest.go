package strictyaml

// Nearest returns the candidate that a mistyped word most likely means, "" when none is near.
// Distance counts inserted, deleted, changed and swapped neighbouring characters; a third of
// the word, and at least one, may differ.
func Nearest(word string, candidates []string) string {
	best, at := "", max(len(word)/3, 1)+1
	for _, c := range candidates {
		if d := distance(word, c); d < at {
			best, at = c, d
		}
	}
	return best
}

// distance is the optimal string alignment distance: Levenshtein (1966) with swaps of
// neighbours after Damerau (1964), no substring edited twice.
func distance(a, b string) int {
	const longest = 64 // no key is longer; keeps junk cheap
	s, t := []rune(a), []rune(b)
	if len(s) > longest || len(t) > longest {
		return max(len(s), len(t))
	}
	before, last, row := make([]int, len(t)+1), make([]int, len(t)+1), make([]int, len(t)+1)
	for j := range row {
		last[j] = j
	}
	for i := 1; i <= len(s); i++ {
		row[0] = i
		for j := 1; j <= len(t); j++ {
			cost := 1
			if s[i-1] == t[j-1] {
				cost = 0
			}
			row[j] = min(row[j-1]+1, last[j]+1, last[j-1]+cost)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(t)]
}
