package reading_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// gates returns the words that refusals are written with anywhere in the program: string
// constants named gate…, and strings given to a field named Gate.
func gates(t *testing.T) (words []string) {
	t.Helper()
	files, err := filepath.Glob("../*/*.go")
	if err != nil {
		t.Fatal(err)
	}
	word := func(e ast.Expr) {
		if lit, ok := e.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			if s, err := strconv.Unquote(lit.Value); err == nil {
				words = append(words, s)
			}
		}
	}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.KeyValueExpr:
				if key, ok := n.Key.(*ast.Ident); ok && key.Name == "Gate" {
					word(n.Value)
				}
			case *ast.ValueSpec:
				for i, name := range n.Names {
					if strings.HasPrefix(name.Name, "gate") && i < len(n.Values) {
						word(n.Values[i])
					}
				}
			}
			return true
		})
	}
	if len(words) < 5 {
		t.Errorf("found only the gates %q; is something amiss?", words)
	}
	return words
}
