package cv

import (
	"image"
	"strings"
	"testing"

	"plumbsquare/internal/picture"
)

// Without the guard each of these ends the process with SIGABRT. The address sanitizer has its own
// idea of too much memory; to run it:
//
//	ASAN_OPTIONS=allocator_may_return_null=1 go test -asan ./internal/cv
func TestExceptionComesBackAsError(t *testing.T) {
	g := picture.New(20, 10, 255)
	g.Pix[55] = 200
	tests := []struct {
		name string
		call func(s *mats) error
	}{
		{"empty picture", func(s *mats) error {
			tm, _, err := s.float(3, 3)
			if err != nil {
				t.Fatal(err)
			}
			return matchCCoeff(s.empty(), tm, s.empty())
		}},
		{"wider but lower template", func(s *mats) error {
			im, err := s.picture(g, image.Rect(0, 0, 20, 10))
			if err != nil {
				t.Fatal(err)
			}
			tm, _, err := s.float(30, 5)
			if err != nil {
				t.Fatal(err)
			}
			return matchCCoeff(im, tm, s.empty())
		}},
		{"more memory than there is", func(s *mats) error {
			_, _, err := s.float(1<<30, 1<<30)
			return err
		}},
		{"negative size", func(s *mats) error {
			_, _, err := s.float(-5, 5)
			return err
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var s mats
			defer s.close()
			err := tt.call(&s)
			if err == nil || !strings.Contains(err.Error(), "OpenCV") {
				t.Errorf("got %v, want what OpenCV threw", err)
			}
		})
	}
}

func TestFloatsRefusesAnotherMatrix(t *testing.T) {
	var s mats
	defer s.close()
	m, _, err := s.float(7, 5)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pixelsOf(m, 5, 7); err == nil {
		t.Error("no error for a matrix of another size")
	}
	if _, err := pixelsOf(s.empty(), 0, 0); err == nil {
		t.Error("no error for a matrix of another type")
	}
}

func TestVersion(t *testing.T) {
	if v := Version(); !strings.HasPrefix(v, "4.") {
		t.Errorf("version %q, want OpenCV 4", v)
	}
}
