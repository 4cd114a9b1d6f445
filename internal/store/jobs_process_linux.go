package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"sync"
)

// machine names this machine since it was started, and this container: processes with the same name
// of machine see each other.
var machine = sync.OnceValue(func() string {
	boot, _ := os.ReadFile("/proc/sys/kernel/random/boot_id")
	pids, _ := os.Readlink("/proc/self/ns/pid")
	sum := sha256.Sum256([]byte(string(boot) + pids))
	return hex.EncodeToString(sum[:8])
})

// process names this process: numbers of processes come again, but not with the same start.
func process() string {
	pid := os.Getpid()
	return fmt.Sprintf("%d-%s", pid, started(pid))
}

// lives reports whether a process of this machine is there.
func lives(process string) bool {
	var pid int
	if _, err := fmt.Sscanf(process, "%d-", &pid); err != nil {
		return false
	}
	return process == fmt.Sprintf("%d-%s", pid, started(pid))
}

// started returns when a process was started, in ticks since the machine was; empty when it isn't
// there, or only its exit status is.
func started(pid int) string {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return ""
	}
	// The name, in brackets, may hold anything.
	fields := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+1:]))
	const state, starttime = 0, 19 // fields 3 and 22 of proc(5)
	if len(fields) <= starttime || fields[state] == "Z" || fields[state] == "X" {
		return ""
	}
	return fields[starttime]
}
