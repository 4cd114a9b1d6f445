package watch_test

import (
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// nobody runs the calling test again as a user who may not read everything, when it is run by root.
// It returns false in the process that is root's.
func nobody(t *testing.T) bool {
	t.Helper()
	if os.Getuid() != 0 {
		return true
	}
	dir, err := os.MkdirTemp("", "nobody-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	// Where go test builds, nobody else may look.
	program := filepath.Join(dir, "test")
	from, err := os.Open("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	to, err := os.OpenFile(program, os.O_CREATE|os.O_WRONLY, 0o755)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(to, from)
	if err := errors.Join(err, to.Close(), os.Chmod(dir, 0o777)); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-test.run=^"+t.Name()+"$")
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "TMPDIR="+dir, "HOME="+dir)
	const uid = 65534 // nobody's, on every Linux
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uid, Gid: uid}}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("as nobody: %v\n%s", err, out)
	}
	return false
}

func TestNoPermission(t *testing.T) {
	if !nobody(t) {
		return
	}
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "accept 1")
		b.put("closed/b.png", "accept 2")
		mode := func(name string, m os.FileMode) {
			if err := os.Chmod(filepath.Join(b.inbox, name), m); err != nil {
				b.Fatal(err)
			}
		}
		mode("a.png", 0)
		mode("closed", 0)
		b.pass(10 * time.Second)
		if b.said("waits a.png", "no permission to read it") != 1 || b.said("alone closed", "the folder can't be read: permission denied") != 1 || b.status.Counts.NeedsInfo != 1 {
			t.Errorf("said %v", b.lines)
		}
		mode("closed", 0o755)
		mode("a.png", 0o644)
		b.pass(6 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", "needs-info/closed/b.png.txt")
	})
}
