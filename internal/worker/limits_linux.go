package worker

import (
	"fmt"
	"os"
	"os/exec"
	"syscall"
)

// limitMemory has the kernel refuse the process more than so many bytes of memory of its own: what
// asks for more, in Go or C++, ends the process and says so. A stricter limit that the process was
// started with stays.
func limitMemory(bytes int64) error {
	var limit syscall.Rlimit
	err := syscall.Getrlimit(syscall.RLIMIT_DATA, &limit)
	if err == nil {
		limit.Cur = min(limit.Cur, uint64(bytes))
		err = syscall.Setrlimit(syscall.RLIMIT_DATA, &limit)
	}
	if err != nil {
		return fmt.Errorf("bound the memory: %w", err)
	}
	return nil
}

// memoryTaken returns how much of what limitMemory bounds the process has taken, bytes; 0 when that
// isn't known. Neither Go nor C++ gives all of it back when they don't need it any more.
func memoryTaken() int64 {
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var pages [6]int64 // the last is data and stack, see proc(5)
	if _, err := fmt.Sscan(string(text), &pages[0], &pages[1], &pages[2], &pages[3], &pages[4], &pages[5]); err != nil {
		return 0
	}
	return pages[5] * int64(os.Getpagesize())
}

// self is the program that runs, even when its file has been replaced since.
const self = "/proc/self/exe"

// dieWithParent has the kernel kill the child when the thread ends that starts it.
func dieWithParent(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
}

// keepOutput returns the standard output and gives whatever else writes there, such as a library in
// C, the standard error instead.
func keepOutput() (*os.File, error) {
	fd, err := syscall.Dup(syscall.Stdout)
	if err != nil {
		return nil, err
	}
	syscall.CloseOnExec(fd)
	return os.NewFile(uintptr(fd), "answers"), syscall.Dup3(syscall.Stderr, syscall.Stdout, 0)
}
