// Package pgtest starts a PostgreSQL server for tests: Debian's, on a scratch directory, reached
// through a socket in it and by nobody else, gone when the tests end.
package pgtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Main runs a package's tests and stops the server that they have started, if any:
//
//	func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }
func Main(m *testing.M) int {
	code := m.Run()
	if err := running.stop(); err != nil {
		fmt.Fprintln(os.Stderr, "pgtest:", err)
		return max(code, 1)
	}
	return code
}

var databases atomic.Int64

// New returns the address of a new, empty database, which is dropped when the test ends. Its texts
// sort as a dictionary's do, so that a query that relies on the order of bytes shows it. The
// package's TestMain must call [Main].
func New(t testing.TB) string {
	t.Helper()
	dir, err := start()
	if err != nil {
		t.Fatalf("PostgreSQL: %v", err)
	}
	return create(t, dir, "")
}

// Copy returns the address of a new database like one that prepare has filled, which is done once
// in a process: for tests that all begin with the same tables. It is dropped when the test ends.
func Copy(t testing.TB, prepare func(address string) error) string {
	t.Helper()
	dir, err := start()
	if err != nil {
		t.Fatalf("PostgreSQL: %v", err)
	}
	prepared.Do(func() {
		if prepareErr = exec1(dir, "CREATE DATABASE prepared"); prepareErr == nil {
			prepareErr = prepare(address(dir, "prepared"))
		}
	})
	if prepareErr != nil {
		t.Fatalf("PostgreSQL: %v", prepareErr)
	}
	return create(t, dir, " TEMPLATE prepared")
}

var (
	prepared   sync.Once
	prepareErr error
)

func create(t testing.TB, dir, like string) string {
	t.Helper()
	name := fmt.Sprintf("t%d", databases.Add(1))
	do := func(query string) {
		t.Helper()
		if err := exec1(dir, query); err != nil {
			t.Fatalf("PostgreSQL: %s: %v", query, err)
		}
	}
	do("CREATE DATABASE " + name + like)
	t.Cleanup(func() { do("DROP DATABASE " + name + " WITH (FORCE)") })
	return address(dir, name)
}

func address(dir, database string) string {
	return fmt.Sprintf("postgres:///%s?host=%s&user=postgres", database, dir)
}

func exec1(dir, query string) error {
	ctx, cancel := context.WithTimeout(context.Background(), startWithin)
	defer cancel()
	c, err := pgx.Connect(ctx, address(dir, "postgres"))
	if err != nil {
		return err
	}
	_, err = c.Exec(ctx, query)
	return errors.Join(err, c.Close(ctx))
}

// A server is one that runs.
type server struct {
	dir  string
	quit chan struct{} // closed to end it
	done chan error    // yields once, when it has ended
}

var running server

// start starts the server once and returns its directory.
var start = sync.OnceValues(func() (string, error) {
	bin, err := programs()
	if err != nil {
		return "", err
	}
	dir, err := os.MkdirTemp("", "pgtest-")
	if err != nil {
		return "", err
	}
	as, err := owner(dir)
	if err != nil {
		return "", err
	}
	initdb := exec.Command(filepath.Join(bin, "initdb"), "-D", filepath.Join(dir, "data"), "-U", "postgres", "-A", "trust",
		"--no-sync", "--encoding=UTF8", "--locale-provider=icu", "--icu-locale=en", "--locale=C.UTF-8")
	initdb.SysProcAttr = &syscall.SysProcAttr{Credential: as}
	initdb.Dir = dir
	if out, err := initdb.CombinedOutput(); err != nil {
		return "", fmt.Errorf("initdb: %w\n%s", err, out)
	}
	running = server{dir: dir, quit: make(chan struct{}), done: make(chan error, 1)}
	started := make(chan error)
	go running.run(bin, as, started)
	if err := <-started; err != nil {
		return "", err
	}
	return dir, running.ready()
})

// programs returns the folder of the newest server that Debian's packages have put here.
func programs() (string, error) {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil {
		return "", err
	}
	if len(found) == 0 {
		return "", errors.New("no server is installed: run make setup, or apt-get install postgresql")
	}
	version := func(file string) int {
		n, _ := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(file))))
		return n
	}
	return filepath.Dir(slices.MaxFunc(found, func(a, b string) int { return version(a) - version(b) })), nil
}

// owner gives dir to somebody who may run a server: not root. It returns nil for whoever runs the
// tests.
func owner(dir string) (*syscall.Credential, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		if u, err = user.Lookup("nobody"); err != nil {
			return nil, err
		}
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return nil, err
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, os.Chown(dir, uid, gid)
}

// run holds the server until it ends. The server dies with the thread that has started it, so that
// none outlives a test that was killed; that thread is kept for it here.
func (s *server) run(bin string, as *syscall.Credential, started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	c := exec.Command(filepath.Join(bin, "postgres"), "-D", filepath.Join(s.dir, "data"), "-k", s.dir, "-c", "listen_addresses=",
		"-c", "fsync=off", "-c", "full_page_writes=off", "-c", "shared_buffers=32MB", "-c", "max_connections=100", "-c", "logging_collector=off")
	c.SysProcAttr = &syscall.SysProcAttr{Credential: as, Pdeathsig: syscall.SIGQUIT, Setpgid: true}
	c.Dir = s.dir
	log, err := os.Create(filepath.Join(s.dir, "log"))
	if err == nil {
		c.Stdout, c.Stderr = log, log
		err = c.Start()
	}
	started <- err
	if err != nil {
		s.done <- nil
		return
	}
	<-s.quit
	err = c.Process.Signal(syscall.SIGINT) // breaks off what is under way, then shuts down
	s.done <- errors.Join(err, c.Wait(), log.Close())
}

const startWithin = time.Minute

// ready waits until the server answers.
func (s *server) ready() error {
	const pause = 20 * time.Millisecond
	var err error
	for end := time.Now().Add(startWithin); time.Now().Before(end); time.Sleep(pause) {
		if err = exec1(s.dir, "SELECT 1"); err == nil {
			return nil
		}
	}
	log, _ := os.ReadFile(filepath.Join(s.dir, "log"))
	return fmt.Errorf("the server doesn't answer: %w\n%s", err, log)
}

// stop ends the server and removes its directory.
func (s *server) stop() error {
	if s.quit == nil {
		return nil
	}
	close(s.quit)
	return errors.Join(<-s.done, os.RemoveAll(s.dir))
}
