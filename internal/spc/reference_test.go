package spc

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// readReference decodes a file of testdata. Each carries its source, how its values came about
// (published, computed, from memory) and the tolerance to compare with.
func readReference(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// A reporter is what *testing.T and *rapid.T have in common.
type reporter interface {
	Helper()
	Errorf(format string, args ...any)
}

// wantRel fails unless got meets want within rel, relative.
func wantRel(t reporter, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.13g want %.13g (relative error %.2g, allowed %.2g)", what, got, want, math.Abs(got/want-1), rel)
	}
}

// wantAbs fails unless got meets want within tol, absolute: for values as printed.
func wantAbs(t reporter, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.13g want %.13g (error %.2g, allowed %.2g)", what, got, want, math.Abs(got-want), tol)
	}
}
