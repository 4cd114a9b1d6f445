package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// watching starts a real inspect watch, workers and all, on a new inbox and waits until it is ready.
func watching(b *testing.B) (inbox string, cmd *exec.Cmd) {
	b.Helper()
	dir := b.TempDir()
	inbox = filepath.Join(dir, "inbox")
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	program := filepath.Join(dir, "inspect") // TestMain goes by the name
	if err := os.Symlink(self, program); err != nil {
		b.Fatal(err)
	}
	if err := os.Mkdir(inbox, 0o777); err != nil {
		b.Fatal(err)
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		b.Fatal(err)
	}
	cmd = exec.Command(program, "watch", inbox, "--store", filepath.Join(dir, "line.db"),
		"--part", filepath.Join(root, "examples/parts/tern.yaml"), "--scope", filepath.Join(root, "testdata/images/scopes/tern-die-001.yaml"), "--view", "die-plan")
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = cmd.Process.Kill() })
	wait(b, filepath.Join(inbox, ".inspect/status-*.json"))
	return inbox, cmd
}

func wait(b *testing.B, pattern string) {
	b.Helper()
	for range 30_000 {
		if found, _ := filepath.Glob(pattern); len(found) > 0 {
			return
		}
		time.Sleep(time.Millisecond)
	}
	b.Fatalf("%s does not come", pattern)
}

// BenchmarkFirstVerdict is the time from the last byte of a 4-megapixel picture in the inbox to its
// verdict in results/, of a watch that had nothing to do. The goal is 2 s.
func BenchmarkFirstVerdict(b *testing.B) {
	picture, err := os.ReadFile("../../testdata/images/tern-die-001.png")
	if err != nil {
		b.Fatal(err)
	}
	inbox, _ := watching(b)
	n := 0
	for b.Loop() {
		n++
		// Bytes behind the end of a PNG make it another picture to the store.
		name := filepath.Join(inbox, fmt.Sprintf("%d.png", n))
		if err := os.WriteFile(name, append(picture, fmt.Sprint(n)...), 0o666); err != nil {
			b.Fatal(err)
		}
		wait(b, filepath.Join(inbox, "results", fmt.Sprintf("%d.png.json", n)))
	}
}

// BenchmarkIdleWatch is what a watch with nothing to do takes of a core, with its workers.
func BenchmarkIdleWatch(b *testing.B) {
	_, cmd := watching(b)
	start := time.Now()
	before := cpu(b, cmd.Process.Pid)
	for b.Loop() {
		time.Sleep(time.Second)
	}
	spent := cpu(b, cmd.Process.Pid) - before
	b.ReportMetric(100*spent.Seconds()/time.Since(start).Seconds(), "%cpu")
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		b.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		b.Fatal(err)
	}
}

// cpu returns the time that a process has had of the cores, from proc(5).
func cpu(b *testing.B, pid int) time.Duration {
	b.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	// The name in parentheses may hold blanks; utime and stime are fields 14 and 15, in hundredths.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	user, errUser := strconv.Atoi(fields[11])
	system, errSystem := strconv.Atoi(fields[12])
	if err := errors.Join(errUser, errSystem); err != nil {
		b.Fatal(err)
	}
	return time.Duration(user+system) * 10 * time.Millisecond
}
