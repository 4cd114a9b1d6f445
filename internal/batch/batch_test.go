package batch_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"os"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// jobs returns n jobs on black pictures of different sizes; every seventh file is no picture.
func jobs(t *testing.T, n int) []intake.Job {
	t.Helper()
	t.Chdir(t.TempDir())
	p := &part.Part{Name: "p", Substrate: part.Substrate{WidthMm: 10, HeightMm: 10}, Die: &part.Die{WidthMm: 5, HeightMm: 5},
		Marks: &part.Marks{Shape: part.Disc, DiameterMm: 0.5, At: []part.Place{{Name: "F1", XMm: -4}, {Name: "F2", XMm: 4}}}}
	s := &scope.Scope{Name: "s", UmPerPxX: 10, UmPerPxY: 10, Camera: scope.Telecentric}
	var list []intake.Job
	for i := range n {
		j := intake.Job{Path: fmt.Sprintf("%03d.png", i), Part: p, Scope: s, Shot: reading.Shot{View: reading.DiePlan}}
		var b bytes.Buffer
		if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 64+13*(i*7%20), 64))); err != nil {
			t.Fatal(err)
		}
		data := b.Bytes()
		if i%7 == 3 {
			data = data[:len(data)/2]
		}
		if err := os.WriteFile(j.Path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		list = append(list, j)
	}
	return list
}

// Results come in the order of the jobs, each once, and don't depend on the number of workers; a
// bad file is an error that names it, and the others are measured.
func TestResultsInOrder(t *testing.T) {
	list := jobs(t, 60)
	var first []*reading.Reading
	for _, workers := range []int{1, 2, 8, 0} {
		var got []*reading.Reading
		var steps atomic.Int32
		err := batch.Run(context.Background(), list, batch.Options{Workers: workers, Progress: func() { steps.Add(1) }}, func(r batch.Result) error {
			if i := len(got); r.Job.Path != list[i].Path {
				t.Errorf("%d workers: result %d is of %s", workers, i, r.Job.Path)
			}
			if bad := len(got)%7 == 3; bad != (r.Err != nil) || bad == (r.Reading != nil) {
				t.Errorf("%s: reading %v, error %v", r.Job.Path, r.Reading, r.Err)
			} else if bad && !strings.Contains(r.Err.Error(), r.Job.Path) {
				t.Errorf("error %q does not name %s", r.Err, r.Job.Path)
			}
			got = append(got, r.Reading)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(list) || int(steps.Load()) != len(list) {
			t.Errorf("%d workers: %d results and %d steps of %d jobs", workers, len(got), steps.Load(), len(list))
		}
		if first == nil {
			first = got
		}
		if d := cmp.Diff(first, got); d != "" {
			t.Errorf("%d workers (-1 worker +these):\n%s", workers, d)
		}
	}
}

func TestAfterAndItsError(t *testing.T) {
	list := jobs(t, 9)
	want := errors.New("disk full")
	after := func(gs []*picture.Gray, j intake.Job, r *reading.Reading) error {
		if len(gs) != 1 || gs[0].H != 64 || r == nil {
			t.Errorf("%s: after got %d pictures and reading %v", j.Path, len(gs), r)
		}
		if j.Path == "005.png" {
			return want
		}
		return nil
	}
	failed := 0
	err := batch.Run(context.Background(), list, batch.Options{After: after}, func(r batch.Result) error {
		if r.Job.Path == "005.png" && !errors.Is(r.Err, want) {
			t.Errorf("got %v, want %v", r.Err, want)
		}
		if r.Err != nil {
			failed++
		}
		return nil
	})
	if err != nil || failed != 2 { // 003.png can't be decoded
		t.Errorf("err %v, %d failed", err, failed)
	}
}

func TestStops(t *testing.T) {
	list := jobs(t, 40)
	t.Run("when the results can't be taken", func(t *testing.T) {
		want := errors.New("disk full")
		taken := 0
		err := batch.Run(context.Background(), list, batch.Options{}, func(batch.Result) error {
			if taken++; taken == 5 {
				return want
			}
			return nil
		})
		if !errors.Is(err, want) || taken != 5 {
			t.Errorf("err %v after %d results", err, taken)
		}
	})
	t.Run("when it is cancelled", func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		taken := 0
		err := batch.Run(ctx, list, batch.Options{}, func(batch.Result) error {
			if taken++; taken == 5 {
				cancel()
			}
			return nil
		})
		if !errors.Is(err, context.Canceled) || taken != 5 {
			t.Errorf("err %v after %d results", err, taken)
		}
	})
	t.Run("before it starts", func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if err := batch.Run(ctx, list, batch.Options{}, func(batch.Result) error { t.Error("a result"); return nil }); !errors.Is(err, context.Canceled) {
			t.Errorf("err %v", err)
		}
	})
	if err := batch.Run(context.Background(), nil, batch.Options{}, nil); err != nil {
		t.Errorf("no jobs: %v", err)
	}
}
