package spc

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// A Rule is a pattern of points that an undisturbed process seldom makes. Rules look at the points
// of one phase; a pattern doesn't reach back into the phase before.
type Rule uint8

// The tests of Nelson (1984), The Shewhart control chart: tests for special causes, Journal of
// Quality Technology 16, 237–239, and the zone rules of the Western Electric Statistical Quality
// Control Handbook (1956), by their numbers. Western 1, 2 and 3 are Nelson 1, 5 and 6.
const (
	Nelson1  Rule = iota + 1 // one point beyond a limit
	Nelson2                  // nine points in a row on one side of the centre line
	Nelson3                  // six points in a row steadily rising or falling
	Nelson4                  // fourteen points in a row alternating up and down
	Nelson5                  // two out of three points in a row beyond 2 sigma on one side
	Nelson6                  // four out of five points in a row beyond 1 sigma on one side
	Nelson7                  // fifteen points in a row within 1 sigma of the centre line
	Nelson8                  // eight points in a row beyond 1 sigma, either side
	Western1                 // one point beyond a limit
	Western2                 // two out of three points in a row beyond 2 sigma on one side
	Western3                 // four out of five points in a row beyond 1 sigma on one side
	Western4                 // eight points in a row on one side of the centre line
)

// String names the rule by set and number, as in "Nelson 2".
func (r Rule) String() string {
	switch {
	case r >= Nelson1 && r <= Nelson8:
		return fmt.Sprintf("Nelson %d", r)
	case r >= Western1 && r <= Western4:
		return fmt.Sprintf("Western Electric %d", r-Western1+1)
	}
	return fmt.Sprintf("rule %d (unknown)", uint8(r))
}

// Text says in plain words what the rule looks for.
func (r Rule) Text() string {
	switch r {
	case Nelson1, Western1:
		return "one point beyond a control limit"
	case Nelson2:
		return "nine points in a row on one side of the centre line"
	case Western4:
		return "eight points in a row on one side of the centre line"
	case Nelson3:
		return "six points in a row steadily rising or falling"
	case Nelson4:
		return "fourteen points in a row alternating up and down"
	case Nelson5, Western2:
		return "two out of three points in a row beyond 2 sigma on one side"
	case Nelson6, Western3:
		return "four out of five points in a row beyond 1 sigma on one side"
	case Nelson7:
		return "fifteen points in a row within 1 sigma of the centre line"
	case Nelson8:
		return "eight points in a row beyond 1 sigma on either side"
	}
	return "unknown rule"
}

// Meaning says what the pattern usually tells about the process.
func (r Rule) Meaning() string {
	switch r {
	case Nelson1, Western1:
		return "something sudden and large happened to this point, or the process moved by much"
	case Nelson2, Western4, Nelson6, Western3:
		return "the level has moved a little and stayed there"
	case Nelson5, Western2:
		return "the level has moved by a medium amount, or the spread has grown"
	case Nelson3:
		return "the process drifts: wear, warming up, a running-out supply"
	case Nelson4:
		return "two sources take turns (heads, nozzles, shifts), or somebody corrects after every point"
	case Nelson7:
		return "the limits are too wide for these points: subgroups mix several sources, or the spread has fallen since the limits were set"
	case Nelson8:
		return "two levels are mixed in the points and few lie between: separate heads, nozzles or lots"
	}
	return ""
}

// ParseRules reads a choice of rules: sets parted by semicolons or blanks, numbers after a colon,
// as in "nelson:1,2,5-8", "western:1-4" or "nelson western:4". A set without numbers means all of
// it; "none" and the empty text give an empty slice.
func ParseRules(s string) ([]Rule, error) {
	rules := []Rule{}
	for _, part := range strings.FieldsFunc(s, func(r rune) bool { return r == ';' || r == ' ' }) {
		set, numbers, some := strings.Cut(strings.ToLower(part), ":")
		var first Rule
		var last int
		switch set {
		case "nelson":
			first, last = Nelson1, 8
		case "western":
			first, last = Western1, 4
		case "none":
			continue
		default:
			return nil, fmt.Errorf("rules %q: no set %q, want nelson, western or none", s, set)
		}
		if !some {
			numbers = fmt.Sprintf("1-%d", last)
		}
		for _, n := range strings.Split(numbers, ",") {
			from, to, err := ruleNumbers(n, last)
			if err != nil {
				return nil, fmt.Errorf("rules %q: %s %w", s, set, err)
			}
			for i := from; i <= to; i++ {
				if r := first + Rule(i-1); !slices.Contains(rules, r) {
					rules = append(rules, r)
				}
			}
		}
	}
	return rules, nil
}

// ruleNumbers reads "3" or "5-8".
func ruleNumbers(s string, last int) (from, to int, err error) {
	a, b, ranged := strings.Cut(s, "-")
	from, err = strconv.Atoi(a)
	if to = from; err == nil && ranged {
		to, err = strconv.Atoi(b)
	}
	if err != nil || from < 1 || to > last || from > to {
		return 0, 0, fmt.Errorf("has no test %q, want numbers from 1 to %d", s, last)
	}
	return from, to, nil
}

// onlyLimits refuses rules that suppose independent points and zones where there are none.
func onlyLimits(statistic string, rules []Rule) error {
	for _, r := range rules {
		if r != Nelson1 && r != Western1 {
			return fmt.Errorf("%s chart: %v supposes independent points; on this chart only points beyond the limits count (Nelson 1)", statistic, r)
		}
	}
	return knownRules(rules)
}

func knownRules(rules []Rule) error {
	for _, r := range rules {
		if r < Nelson1 || r > Western4 {
			return fmt.Errorf("no run rule with number %d", uint8(r))
		}
	}
	return nil
}
