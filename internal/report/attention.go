package report

import (
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/reading"
)

// attention says what somebody should look at first, in sentences, worst first.
func (d *day) attention(c *content) (list []notice) {
	for _, decision := range []reading.Decision{reading.Reject, reading.Review} {
		n := d.count(decision)
		if n == 0 {
			continue
		}
		text := plural(n, "sample was rejected", "samples were rejected")
		if decision == reading.Review {
			text = plural(n, "sample is", "samples are") + " in review: the uncertainty straddles a limit, so that somebody must decide"
		}
		list = append(list, notice{string(decision), text + "; " + d.causes(decision), "#flagged"})
	}
	for _, g := range c.Groups {
		if len(g.worn) > 0 {
			list = append(list, notice{"signal", fmt.Sprintf("%s: the same sites again and again: %s; look at what handles these places", g.Title, few(g.worn, 10)), "#" + g.ID})
		}
		for _, s := range g.signals {
			list = append(list, notice{"signal", g.Title + ": " + s, "#" + g.ID})
		}
	}
	for _, r := range c.Retakes {
		list = append(list, notice{"retake", fmt.Sprintf("%s to be taken again (%s): %s", plural(r.N, "picture has", "pictures have"), r.Gate, r.Instruction), "#retakes"})
	}
	if list == nil {
		list = append(list, notice{"good", "Nothing needs attention: every picture was measured and accepted, and no chart has a signal.", ""})
	}
	return list
}

// causes counts what samples of a decision were judged by, most frequent first.
func (d *day) causes(decision reading.Decision) string {
	times := map[string]int{}
	var words []string
	for _, r := range d.readings {
		if r.Verdict.Decision != decision {
			continue
		}
		var here []string
		for _, reason := range r.Verdict.Reasons {
			word := causeOf(reason.What)
			if reason.Decision == decision && !slices.Contains(here, word) {
				here = append(here, word)
			}
		}
		for _, word := range here {
			if times[word] == 0 {
				words = append(words, word)
			}
			times[word]++
		}
	}
	slices.SortStableFunc(words, func(a, b string) int { return times[b] - times[a] })
	for i, w := range words {
		words[i] = fmt.Sprintf("%s in %d", w, times[w])
	}
	return few(words, 6)
}

// causeOf puts what a reason is about in words, without the site: "tilt_deg G14" is "tilt".
func causeOf(what string) string {
	what, _, _ = strings.Cut(what, " ")
	names := map[string]string{
		"offset_x_um": "offset X", "offset_y_um": "offset Y", "theta_deg": "rotation", "bump_um": "bump misregistration",
		"cap_x_um": "offset X of the cap", "cap_y_um": "offset Y of the cap", "cap_theta_deg": "rotation of the cap",
		"shrink_percent": "shrink of the substrate", "size_um": "size", "missing": "missing sites", "tilt_deg": "tilt", "tip_um": "place of sites",
	}
	if name := names[what]; name != "" {
		return name
	}
	return strings.ReplaceAll(what, "_", " ")
}
