package worker

import (
	"fmt"
	"os"
	"os/exec"
	"syscall"
)

// limitMemory has the kernel refuse the process more than so many bytes of address space beyond what
// it has now, which is libraries for the most part: what asks for more, in Go or C++, ends the process
// and says so. A stricter limit that the process was started with stays. (RLIMIT_DATA would leave the
// libraries out by itself, but newer kernels don't count what Go has reserved before it asks for it.)
func limitMemory(bytes int64) error {
	var limit syscall.Rlimit
	err := syscall.Getrlimit(syscall.RLIMIT_AS, &limit)
	if taken := memoryTaken(); err == nil && taken > 0 {
		limit.Cur = min(limit.Cur, uint64(taken+bytes))
		err = syscall.Setrlimit(syscall.RLIMIT_AS, &limit)
	}
	if err != nil {
		return fmt.Errorf("bound the memory: %w", err)
	}
	return nil
}

// memoryTaken returns the address space of the process in bytes; 0 when that isn't known. Neither Go
// nor C++ gives all of it back when they don't need it any more.
func memoryTaken() int64 {
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var pages int64 // the first of its numbers, see proc(5)
	if _, err := fmt.Sscan(string(text), &pages); err != nil {
		return 0
	}
	return pages * int64(os.Getpagesize())
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
