package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"plumbsquare/internal/store/pgtest"
)

func TestMain(m *testing.M) {
	testscript.Main(withDatabase{m}, map[string]func(){"inspect": main})
}

// withDatabase are tests after which a PostgreSQL that one of them has started is stopped.
type withDatabase struct{ *testing.M }

func (m withDatabase) Run() int { return pgtest.Main(m.M) }

// Each script of testdata/script uses the program as people do. $EXAMPLES is the folder of
// the examples, $PICTURES that of the pictures with truth; "status N command…" checks an exit
// status, "half FROM TO" copies the first half of a file, "waitfor PATTERN" waits until a file is there.
func TestScripts(t *testing.T) {
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			env.Setenv("EXAMPLES", filepath.Join(root, "examples"))
			env.Setenv("PICTURES", filepath.Join(root, "testdata/images"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"status": status, "half": half, "waitfor": waitFor},
	})
}

func status(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 || neg {
		ts.Fatalf("usage: status N command...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	if exit := new(exec.ExitError); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v: %v", args[1:], err)
	}
	if got != want {
		ts.Fatalf("%v: exit status %d, want %d", args[1:], got, want)
	}
}

func half(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 || neg {
		ts.Fatalf("usage: half FROM TO")
	}
	b, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b[:len(b)/2], 0o666))
}

// waitFor gives another process a minute, which it needs only when it hangs.
func waitFor(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 1 || neg {
		ts.Fatalf("usage: waitfor PATTERN")
	}
	for range 6000 {
		found, err := filepath.Glob(ts.MkAbs(args[0]))
		ts.Check(err)
		if len(found) > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	ts.Fatalf("%s does not come", args[0])
}
