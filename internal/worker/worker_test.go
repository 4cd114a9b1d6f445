package worker

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// The test's own program is the worker: as it is, or one whose pictures do what their names say.
func TestMain(m *testing.M) {
	var err error
	switch {
	case len(os.Args) < 2:
		os.Exit(m.Run())
	case os.Args[1] == "worker":
		err = Serve()
	case os.Args[1] == "unruly":
		err = serve(os.Stdin, os.Stdout, unruly)
	case os.Args[1] == "stillborn":
		err = errors.New("no such library")
	default:
		os.Exit(m.Run())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(3)
	}
	os.Exit(0)
}

func unruly(q Request) (*Result, error) {
	switch filepath.Base(q.Path) {
	case "panic":
		var none *reading.Reading
		none.Schema = "x"
	case "abort":
		fmt.Fprintln(os.Stderr, "terminate called after throwing an instance of 'cv::Exception'\n  what():  bad size")
		_ = syscall.Kill(os.Getpid(), syscall.SIGABRT)
		select {}
	case "kill":
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	case "hang":
		select {}
	case "spin":
		//lint:ignore SA5002 that is what it is for
		for {
		}
	case "exit":
		os.Exit(0)
	case "garbage":
		os.Stdout.WriteString("Gtk-WARNING: cannot open display\n")
		select {}
	case "half":
		os.Stdout.Write([]byte{0, 0, 1, 0, '{'})
		os.Exit(0)
	case "empty":
		_ = writeFrame(os.Stdout, answer{Number: 1})
		select {}
	case "late": // the answer to another question
		_ = writeFrame(os.Stdout, answer{Number: 99, Result: &Result{Reading: &reading.Reading{}}})
		select {}
	case "memory":
		var all [][]byte
		for {
			b := bytes.Repeat([]byte{1}, 16<<20)
			all = append(all, b)
			runtime.KeepAlive(all)
		}
	case "hungry":
		if _, err := syscall.Mmap(-1, 0, 1100<<20, syscall.PROT_NONE, syscall.MAP_ANON|syscall.MAP_PRIVATE); err != nil {
			return nil, err
		}
	case "starving":
		return nil, errors.New("find marks: OpenCV(4.6.0) alloc.cpp:73: error: (-4:Insufficient memory) Failed to allocate 8 bytes")
	case "file":
		return nil, fmt.Errorf("%w: %w", ErrFile, os.ErrPermission)
	case "changed":
		return nil, fmt.Errorf("%s: %w", q.Path, ErrChanged)
	case "wrong":
		return nil, errors.New("the part lacks marks")
	case "undrawn":
		return &Result{Reading: &reading.Reading{Schema: "reading/1"}, OverlayErr: errors.New("disk full")}, nil
	}
	for _, c := range q.Corners {
		q.Path += " + " + c.Path
	}
	return &Result{Reading: &reading.Reading{Schema: "reading/1", Source: reading.Source{Picture: q.Path}, Shot: reading.Shot{Sample: fmt.Sprint(os.Getpid())}}}, nil
}

func start(t *testing.T, o Options, mode string) *Pool {
	t.Helper()
	o.Command = []string{self, mode}
	p, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

// Whatever becomes of a child, the caller learns it in a line, and the next picture is measured.
func TestDeaths(t *testing.T) {
	patient := start(t, Options{Workers: 1, MemoryMB: 700}, "unruly")
	impatient := start(t, Options{Workers: 1, TimeLimit: time.Second}, "unruly")
	for _, c := range []struct {
		picture, why string
		outside      bool
	}{
		{"panic", "panic: runtime error: invalid memory address", false},
		{"abort", "terminate called after throwing an instance of 'cv::Exception' what..:  bad size", false},
		{"kill", `killed \(SIGKILL\)`, true},
		{"hang", "took longer than 1s", false},
		{"spin", "took longer than 1s", false},
		{"exit", "exit status 0", false},
		{"garbage", "something else than an answer", false},
		{"half", "exit status 0", false},
		{"empty", "something else than an answer", false},
		{"late", "something else than an answer", false},
		{"memory", "^died: ", false}, // who runs out first says it in its own words
		{"starving", "^died: out of memory: find marks", false},
	} {
		t.Run(c.picture, func(t *testing.T) {
			p := patient
			if strings.HasPrefix(c.why, "took longer") {
				p = impatient
			}
			_, err := p.Measure(context.Background(), Request{Path: c.picture})
			died, ok := errors.AsType[*DiedError](err)
			if !ok || !errors.Is(err, ErrDied) {
				t.Fatalf("got %v, want that the worker died", err)
			}
			if !regexp.MustCompile(c.why).MatchString(died.Why) || strings.Contains(died.Why, "\n") || !strings.Contains(err.Error(), c.picture) || died.Outside != c.outside {
				t.Errorf("got %q, outside %v; want %q, outside %v", err, died.Outside, c.why, c.outside)
			}
			if died.Tries() > 2 != c.outside {
				t.Errorf("%d tries", died.Tries())
			}
			if r, err := p.Measure(context.Background(), Request{Path: "good"}); err != nil || r.Reading.Source.Picture != "good" {
				t.Errorf("the next picture: %v, %v", r, err)
			}
		})
	}
}

// A child killed while it has nothing to do costs no picture.
func TestIdleDeath(t *testing.T) {
	p := start(t, Options{Workers: 1}, "unruly")
	for range 5 {
		r, err := p.Measure(context.Background(), Request{Path: "good"})
		if err != nil {
			t.Fatal(err)
		}
		var pid int
		fmt.Sscan(r.Reading.Shot.Sample, &pid)
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Error(err)
		}
		gone(t, pid)
	}
}

func TestErrorsCrossThePipe(t *testing.T) {
	p := start(t, Options{Workers: 1}, "unruly")
	pid := func() string {
		r, err := p.Measure(context.Background(), Request{Path: "good"})
		if err != nil {
			t.Fatal(err)
		}
		return r.Reading.Shot.Sample
	}
	before := pid()
	for _, c := range []struct {
		picture string
		is      error
		text    string
	}{
		{"file", ErrFile, "permission denied"},
		{"changed", ErrChanged, "changed"},
		{"wrong", nil, "the part lacks marks"},
	} {
		_, err := p.Measure(context.Background(), Request{Path: c.picture})
		if err == nil || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: got %v", c.picture, err)
		}
		for _, e := range []error{ErrFile, ErrChanged, ErrDied} {
			if errors.Is(err, e) != (e == c.is) {
				t.Errorf("%s: %v is %v: %v", c.picture, err, e, errors.Is(err, e))
			}
		}
	}
	r, err := p.Measure(context.Background(), Request{Path: "undrawn"})
	if err != nil || r.Reading.Schema != "reading/1" || r.OverlayErr == nil || r.OverlayErr.Error() != "disk full" {
		t.Errorf("undrawn: got %+v, %v", r, err)
	}
	if after := pid(); after != before {
		t.Error("an error cost a process")
	}
	// A name that is no text comes through as it is.
	const odd = "\xffa \"b\"\n.png"
	if r, err = p.Measure(context.Background(), Request{Path: odd, Corners: []Corner{{Path: odd}}}); err != nil || r.Reading.Source.Picture != odd+" + "+odd {
		t.Errorf("got %+v, %v", r, err)
	}
}

// A child is replaced after so many pictures.
func TestReplacement(t *testing.T) {
	p := start(t, Options{Workers: 1, Pictures: 3}, "unruly")
	pids := map[string]int{}
	for range 9 {
		r, err := p.Measure(context.Background(), Request{Path: "good"})
		if err != nil {
			t.Fatal(err)
		}
		pids[r.Reading.Shot.Sample]++
	}
	if len(pids) != 3 {
		t.Errorf("9 pictures at 3 a process: %v", pids)
	}
}

// A child that has taken much memory leaves the next picture to another.
func TestSpent(t *testing.T) {
	p := start(t, Options{Workers: 1, MemoryMB: 2000}, "unruly")
	var pids []string
	for _, picture := range []string{"good", "hungry", "hungry", "good"} {
		r, err := p.Measure(context.Background(), Request{Path: picture})
		if err != nil {
			t.Fatal(err)
		}
		pids = append(pids, r.Reading.Shot.Sample)
	}
	if pids[0] != pids[1] || pids[1] == pids[2] || pids[2] == pids[3] {
		t.Errorf("got processes %v, want a new one after each hungry picture", pids)
	}
}

func TestCancelled(t *testing.T) {
	p := start(t, Options{Workers: 1}, "unruly")
	ctx, cancel := context.WithCancel(context.Background())
	time.AfterFunc(50*time.Millisecond, cancel)
	if _, err := p.Measure(ctx, Request{Path: "hang"}); !errors.Is(err, context.Canceled) || errors.Is(err, ErrDied) {
		t.Errorf("got %v", err)
	}
	if _, err := p.Measure(ctx, Request{Path: "good"}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if _, err := p.Measure(context.Background(), Request{Path: "good"}); err != nil {
		t.Error(err)
	}
}

// Closing ends what is under way and leaves no process.
func TestClose(t *testing.T) {
	p, err := Start(context.Background(), Options{Workers: 2, Command: []string{self, "unruly"}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := p.Measure(context.Background(), Request{Path: "good"})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for range 5 {
		wg.Go(func() {
			if _, err := p.Measure(context.Background(), Request{Path: "hang"}); !errors.Is(err, errClosed) {
				t.Errorf("got %v", err)
			}
		})
	}
	time.AfterFunc(50*time.Millisecond, p.Close)
	wg.Wait()
	if _, err := p.Measure(context.Background(), Request{Path: "good"}); !errors.Is(err, errClosed) {
		t.Errorf("got %v", err)
	}
	var pid int
	fmt.Sscan(r.Reading.Shot.Sample, &pid)
	gone(t, pid)
}

// gone waits until a process isn't there.
func gone(t *testing.T, pid int) {
	t.Helper()
	for range 500 {
		if errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("process %d is still there", pid)
}

// When nobody asks any more, a child ends by itself, also while it measures.
func TestChildEndsWithItsParent(t *testing.T) {
	for _, picture := range []string{"good", "spin"} {
		c, err := hatch([]string{self, "unruly"}, orders{MemoryMB: 700})
		if err != nil {
			t.Fatal(err)
		}
		var h hello
		if err := readFrame(c.out, &h); err != nil || h.PID != c.cmd.Process.Pid {
			t.Fatal(h, err)
		}
		if err := writeFrame(c.in, question{Number: 1, Path: []byte(picture)}); err != nil {
			t.Fatal(err)
		}
		if picture == "good" {
			var a answer
			if err := readFrame(c.out, &a); err != nil {
				t.Fatal(err)
			}
		}
		c.in.Close()
		select {
		case <-c.gone:
		case <-time.After(5 * time.Second):
			t.Errorf("%s: it did not end", picture)
		}
		if s := c.cmd.ProcessState; s != nil && s.ExitCode() != 0 {
			t.Errorf("%s: %v", picture, s)
		}
		c.bury()
	}
}

func TestStartFails(t *testing.T) {
	for _, c := range []struct{ command, want string }{
		{self + " stillborn", "no such library"},
		{"/nowhere/inspect worker", "no such file"},
		{"/bin/false", "exit status 1"},
	} {
		_, err := Start(context.Background(), Options{Workers: 2, Command: strings.Fields(c.command)})
		if err == nil || !strings.Contains(err.Error(), c.want) || errors.Is(err, ErrDied) || !errors.Is(err, ErrStart) {
			t.Errorf("%s: got %v, want %q", c.command, err, c.want)
		}
	}
}

// A child gives what measuring here gives, to the last bit.
func TestSameBits(t *testing.T) {
	const dir = "../../testdata/images/"
	p := start(t, Options{Workers: 2}, "worker")
	for _, c := range []struct {
		picture string
		view    reading.View
	}{
		{"tern-die-001", reading.DiePlan},
		{"tern-col-001", reading.ColumnPlan},
	} {
		q := Request{Path: dir + c.picture + ".png", Part: loaded(t, part.Load, "../../examples/parts/tern.yaml"), Scope: loaded(t, scope.Load, dir+"scopes/"+c.picture+".yaml"),
			Shot: reading.Shot{View: c.view, Lot: "L\"é"}, Program: "v1", Today: time.Date(2031, 5, 1, 23, 30, 0, 0, time.FixedZone("", -5*3600)),
			Overlay: filepath.Join(t.TempDir(), "a.overlay.png")}
		want, err := Measure(q)
		if err != nil {
			t.Fatal(err)
		}
		first, err := os.ReadFile(q.Overlay)
		if err != nil {
			t.Fatal(err)
		}
		got, err := p.Measure(context.Background(), q)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want.Reading, got.Reading); d != "" {
			t.Errorf("%s (-here +child):\n%s", c.picture, d)
		}
		if a, b := text(t, want.Reading), text(t, got.Reading); a != b {
			t.Errorf("%s: JSON differs", c.picture)
		}
		if second, err := os.ReadFile(q.Overlay); err != nil || !bytes.Equal(first, second) {
			t.Errorf("%s: the overlay differs, %v", c.picture, err)
		}
		if left, _ := filepath.Glob(filepath.Dir(q.Overlay) + "/.*"); len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
		if got.Reading.Substrate == nil && got.Reading.Array == nil {
			t.Errorf("%s: nothing was measured: %v", c.picture, got.Reading.Refusal)
		}
	}
}

func text(t *testing.T, r *reading.Reading) string {
	t.Helper()
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func loaded[T any](t *testing.T, load func([]byte, string) (*T, error), file string) *T {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, err := load(b, file)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// A file that isn't what was meant is an error of its kind, and never a reading.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 64, 64))); err != nil {
		t.Fatal(err)
	}
	good := filepath.Join(dir, "good.png")
	if err := os.WriteFile(good, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(b.Bytes())
	half, huge := filepath.Join(dir, "half.png"), filepath.Join(dir, "huge.tif")
	if err := os.WriteFile(half, b.Bytes()[:b.Len()/2], 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(huge, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(huge, 3<<30); err != nil { // sparse: takes no room
		t.Fatal(err)
	}
	p := &part.Part{Name: "p", Substrate: part.Substrate{WidthMm: 10, HeightMm: 10}, Die: &part.Die{WidthMm: 5, HeightMm: 5},
		Marks: &part.Marks{Shape: part.Disc, DiameterMm: 0.5, At: []part.Place{{Name: "F1", XMm: -4}, {Name: "F2", XMm: 4}}}}
	s := &scope.Scope{Name: "s", UmPerPxX: 10, UmPerPxY: 10, Camera: scope.Telecentric}
	for _, c := range []struct {
		path, sum string
		is        error
		text      string
	}{
		{good, "", nil, ""},
		{good, hex.EncodeToString(sum[:]), nil, ""},
		{good, strings.Repeat("0", 64), ErrChanged, "good.png"},
		{half, "", nil, "damaged"},
		{huge, "", nil, "3072 MB are no picture"},
		{dir, "", nil, "not a file"},
		{filepath.Join(dir, "none.png"), "", ErrFile, "no such file"},
	} {
		r, err := Measure(Request{Path: c.path, SHA256: c.sum, Part: p, Scope: s, Shot: reading.Shot{View: reading.DiePlan}})
		if (err == nil) != (c.text == "") || err != nil && !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: got %v, want %q", c.path, err, c.text)
		}
		if (err == nil) != (r != nil) || errors.Is(err, ErrFile) != (c.is == ErrFile) || errors.Is(err, ErrChanged) != (c.is == ErrChanged) {
			t.Errorf("%s: got %v, %v, want %v", c.path, r, err, c.is)
		}
	}
	// An overlay that can't be written takes no reading away.
	r, err := Measure(Request{Path: good, Part: p, Scope: s, Shot: reading.Shot{View: reading.DiePlan}, Overlay: filepath.Join(dir, "none", "o.png")})
	if err != nil || r.Reading == nil || r.OverlayErr == nil {
		t.Errorf("got %+v, %v", r, err)
	}
}

func FuzzReadFrame(f *testing.F) {
	for _, v := range []any{orders{700}, hello{1}, answer{Number: 3, Err: "no"}, question{Path: []byte("a\xff.png")}} {
		var b bytes.Buffer
		if err := writeFrame(&b, v); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, '{'})
	f.Add([]byte{0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		r := bytes.NewReader(b)
		for {
			var a answer
			err := readFrame(r, &a)
			if err != nil {
				if !errors.Is(err, errFrame) && err != io.EOF {
					t.Errorf("%v is no error of a frame", err)
				}
				return
			}
			var again bytes.Buffer
			if err := writeFrame(&again, a); err != nil {
				t.Fatalf("what was read can't be written: %v", err)
			}
			var c answer
			if err := readFrame(&again, &c); err != nil {
				t.Fatalf("what was written can't be read: %v", err)
			}
		}
	})
}
