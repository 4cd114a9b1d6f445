package part

import (
	_ "embed"
	"fmt"
	"regexp"
	"strings"
)

//go:embed starter.yaml
var starter string

// Starter returns a part file to begin with: an invented part that uses every key, with
// remarks. It returns an error when the name can't be that of a part.
func Starter(name string) ([]byte, error) {
	s, err := schema()
	if err != nil {
		return nil, err
	}
	rule := s.Properties["part"]
	if ok, err := regexp.MatchString(rule.Pattern, name); !ok || err != nil {
		return nil, fmt.Errorf("%q can't be the %s", name, rule.Description)
	}
	return []byte(strings.ReplaceAll(starter, "NAME", name)), nil
}
