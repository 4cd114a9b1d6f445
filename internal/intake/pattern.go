package intake

import (
	"fmt"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"plumbsquare/internal/reading"
)

// A Pattern reads particulars from the names of pictures, such as "{lot}_{sample}_{view}" for
// K203_4_die-plan.png.
type Pattern struct{ re *regexp.Regexp }

// setters of a pattern's words.
var setters = map[string]func(*Particulars, string){
	"part":          func(p *Particulars, s string) { p.Part = s },
	"scope":         func(p *Particulars, s string) { p.Scope = s },
	"view":          func(p *Particulars, s string) { p.View, _ = ParseView(s) },
	"lot":           func(p *Particulars, s string) { p.Lot = s },
	"sample":        func(p *Particulars, s string) { p.Sample = s },
	"head":          func(p *Particulars, s string) { p.Head = s },
	"nozzle":        func(p *Particulars, s string) { p.Nozzle = s },
	"pick_position": func(p *Particulars, s string) { p.PickPosition = s },
	"operator":      func(p *Particulars, s string) { p.Operator = s },
	"taken_at":      func(p *Particulars, s string) { p.TakenAt = s },
	"focus":         func(p *Particulars, s string) { p.Focus, _ = parseFocus(s) },
	"turn_deg":      func(p *Particulars, s string) { p.TurnDeg, _ = strconv.ParseFloat(s, 64) },
}

// fixedWords are the only ones that some particulars take.
var fixedWords = map[string]string{"focus": "(?i:tip|base)", "turn_deg": "0|90|180|270"}

var placeholder = regexp.MustCompile(`\{[^{}]*\}`)

// ParsePattern reads a pattern: words in braces stand for particulars, {} for anything that
// doesn't matter, the rest for itself. The extension of a picture isn't part of it.
func ParsePattern(s string) (*Pattern, error) {
	var re strings.Builder
	re.WriteString("^")
	rest, end := 0, 0
	for _, m := range placeholder.FindAllStringIndex(s, -1) {
		re.WriteString(regexp.QuoteMeta(s[rest:m[0]]))
		name := s[m[0]+1 : m[1]-1]
		rest, end = m[1], m[1]
		if name == "" {
			re.WriteString(".*?")
			continue
		}
		if setters[name] == nil {
			return nil, fmt.Errorf("file-name pattern %q: no particular is named {%s}; there are %s", s, name,
				strings.Join(slices.Sorted(maps.Keys(setters)), ", "))
		}
		if strings.Contains(re.String(), "(?P<"+name+">") {
			return nil, fmt.Errorf("file-name pattern %q: {%s} stands in it twice", s, name)
		}
		// A view's name holds hyphens, so it can't be told from its neighbours by length.
		if name == "view" {
			re.WriteString("(?P<view>(?i:" + viewNames() + "))")
			continue
		}
		if words := fixedWords[name]; words != "" {
			re.WriteString("(?P<" + name + ">" + words + ")")
			continue
		}
		re.WriteString("(?P<" + name + ">.+?)")
	}
	if end == 0 {
		return nil, fmt.Errorf(`file-name pattern %q: it names no particular; write it like "{lot}_{sample}_{view}"`, s)
	}
	if strings.ContainsAny(placeholder.ReplaceAllString(s, ""), "{}") {
		return nil, fmt.Errorf("file-name pattern %q: a brace does not pair up", s)
	}
	re.WriteString(regexp.QuoteMeta(s[rest:]) + "$")
	compiled, err := regexp.Compile(re.String())
	if err != nil {
		return nil, fmt.Errorf("file-name pattern %q: %w", s, err)
	}
	return &Pattern{compiled}, nil
}

func viewNames() string {
	var names []string
	for _, v := range reading.Views {
		names = append(names, regexp.QuoteMeta(string(v)))
	}
	return strings.Join(names, "|")
}

// particulars returns what a picture's name says; a name that doesn't fit says nothing.
func (p *Pattern) particulars(name string) (out Particulars) {
	if p == nil {
		return out
	}
	m := p.re.FindStringSubmatch(strings.TrimSuffix(name, filepath.Ext(name)))
	if m == nil {
		return out
	}
	for i, word := range p.re.SubexpNames() {
		if set := setters[word]; set != nil {
			set(&out, m[i])
		}
	}
	return out
}
