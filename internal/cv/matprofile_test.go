//go:build matprofile

package cv

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestMain fails the run when any test, also of an error path, left a Mat open:
//
//	go test -tags matprofile ./internal/cv
func TestMain(m *testing.M) {
	code := m.Run()
	if n := gocv.MatProfile.Count(); n != 0 {
		var where bytes.Buffer
		if err := gocv.MatProfile.WriteTo(&where, 1); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		fmt.Fprintf(os.Stderr, "%d Mats were not closed:\n%s", n, &where)
		code = 1
	}
	os.Exit(code)
}
