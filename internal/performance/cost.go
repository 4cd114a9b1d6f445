package performance

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// cpu is the processor time that the process has used: unlike the clock on the wall it doesn't
// count what other programs on the machine take.
func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// cpuOf returns the processor time of a call, starting from a swept heap.
func cpuOf(call func()) time.Duration {
	runtime.GC()
	start := cpu()
	call()
	return cpu() - start
}

// A Cost is what one kind of picture costs on one core, medians.
type Cost struct {
	View            reading.View
	Name            string
	WidthPx, Height int
	Decode, Measure time.Duration
	Ratio           float64 // median over pictures and rounds of analysis over decoding
}

// CostOf times decoding and analysing in turn.
func CostOf(pics []*Picture, rounds int) (Cost, error) {
	p := pics[0]
	c := Cost{View: p.View, Name: p.Part.Name, WidthPx: p.Gray.W, Height: p.Gray.H}
	var decode, analyse []time.Duration
	var ratio []float64
	for range rounds {
		for _, p := range pics {
			var err error
			d := cpuOf(func() { _, err = picture.Decode(p.PNG, picture.Limits{}) })
			if err != nil {
				return c, err
			}
			a := cpuOf(func() { measured(p) })
			decode, analyse, ratio = append(decode, d), append(analyse, a), append(ratio, float64(a)/float64(max(d, 1)))
		}
	}
	c.Decode, c.Measure, c.Ratio = median(decode), median(analyse), median(ratio)
	return c, nil
}

// A Speedup is what a second worker brings, medians over rounds in which one worker and two took
// turns.
type Speedup struct {
	Pictures           int
	Clock, Least, Most float64    // time with one worker over time with two
	Inflation          float64    // processor time with two workers over that with one
	Cores              [2]float64 // that the machine gave to one and to two workers
}

// SpeedupOf measures a batch of the pictures, written to dir.
func SpeedupOf(dir string, pics []*Picture, rounds int) (Speedup, error) {
	s := Speedup{Pictures: len(pics)}
	var jobs []intake.Job
	for i, p := range pics {
		file := filepath.Join(dir, fmt.Sprintf("%d.png", i))
		if err := os.WriteFile(file, p.PNG, 0o666); err != nil {
			return s, err
		}
		jobs = append(jobs, intake.Job{Path: file, Part: p.Part, Scope: p.Scope, Shot: reading.Shot{View: p.View}})
	}
	run := func(workers int) (clock, used float64, err error) {
		start, from := time.Now(), cpu()
		err = batch.Run(context.Background(), jobs, batch.Options{Today: today, Workers: workers}, func(r batch.Result) error { return r.Err })
		return time.Since(start).Seconds(), (cpu() - from).Seconds(), err
	}
	var clock, inflation []float64
	var cores [2][]float64
	for range rounds {
		one, used1, err1 := run(1)
		two, used2, err2 := run(2)
		if err := errors.Join(err1, err2); err != nil {
			return s, err
		}
		clock, inflation = append(clock, one/two), append(inflation, used2/used1)
		cores[0], cores[1] = append(cores[0], used1/one), append(cores[1], used2/two)
	}
	s.Clock, s.Least, s.Most = median(clock), slices.Min(clock), slices.Max(clock)
	s.Inflation, s.Cores = median(inflation), [2]float64{median(cores[0]), median(cores[1])}
	return s, nil
}

// A Memory is what `inspect measure` needed at its peak for one picture.
type Memory struct {
	View            reading.View
	WidthPx, Height int
	PeakMB, LimitMB float64
}

// PeakMemory runs the program on a picture in a process of its own.
func PeakMemory(program, dir string, p *Picture) (Memory, error) {
	m := Memory{View: p.View, WidthPx: p.Gray.W, Height: p.Gray.H}
	m.LimitMB = 250 + 6*float64(2*p.Gray.W*p.Gray.H)/1e6
	sc, err := p.Scope.YAML()
	if err != nil {
		return m, err
	}
	scopeFile, file := filepath.Join(dir, "scope.yaml"), filepath.Join(dir, "peak.png")
	if err := errors.Join(os.WriteFile(scopeFile, sc, 0o666), os.WriteFile(file, p.PNG, 0o666)); err != nil {
		return m, err
	}
	cmd := exec.Command(program, "measure", "--part", p.Part.Name, "--parts", PartDir, "--scope", scopeFile, "--view", string(p.View), "--workers", "1", file)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		return m, err
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	// What wait reports counts this process's own memory, from before the program began. The
	// kernel's high-water mark is the program's alone; it is read until the process has gone.
	for {
		m.PeakMB = max(m.PeakMB, highWaterMB(cmd.Process.Pid))
		select {
		case err := <-done:
			if exit, ok := errors.AsType[*exec.ExitError](err); err != nil && (!ok || exit.ExitCode() != 1) { // 1: rejected or in review
				return m, fmt.Errorf("%s: %w: %s", program, err, &said)
			}
			return m, nil
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// highWaterMB is the largest resident size of a process so far, 0 when it has gone.
func highWaterMB(pid int) float64 {
	status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.Lines(string(status)) {
		var kib float64
		if n, _ := fmt.Sscanf(line, "VmHWM: %g kB", &kib); n == 1 {
			return kib * 1024 / 1e6
		}
	}
	return 0
}
