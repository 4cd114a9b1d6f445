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
