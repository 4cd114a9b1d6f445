package store

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// recorderEnv makes the test program record until it is killed, see recordForever.
const recorderEnv = "STORE_TEST_RECORD"

// recordForever records dies from the number in the environment on and says each that is
// acknowledged.
func recordForever(at string) error {
	first, err := strconv.Atoi(os.Getenv(recorderEnv + "_FIRST"))
	if err != nil {
		return err
	}
	ctx := context.Background()
	s, err := Open(ctx, at)
	if err != nil {
		return err
	}
	for i := first; ; i++ {
		if _, _, err := s.Record(ctx, Record{Reading: anArray(i, 50), At: noon}); err != nil {
			return err
		}
		fmt.Println(i)
	}
}

// A process that is killed at any moment has lost nothing that it acknowledged, and left nothing
// half done.
func TestKilledLosesNothing(t *testing.T) {
	const kills = 8
	eachAddress(t, func(t *testing.T, at string) {
		next := 0
		for kill := range kills {
			c := exec.Command(os.Args[0])
			c.Env = append(os.Environ(), recorderEnv+"="+at, recorderEnv+"_FIRST="+strconv.Itoa(next))
			out, err := c.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			c.Stderr = os.Stderr
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			lines := bufio.NewScanner(out)
			last := -1
			for lines.Scan() {
				if last, err = strconv.Atoi(lines.Text()); err != nil {
					t.Fatalf("%q: %v", lines.Text(), err)
				}
				if last == next {
					time.AfterFunc(time.Duration(kill*7%11)*time.Millisecond, func() { _ = c.Process.Kill() })
				}
			}
			_ = c.Wait() // it was killed
			if last < 0 {
				t.Fatal("nothing was recorded")
			}
			next = last + 1
		}
		s := open(t, at)
		shots, err := s.Shots(t.Context(), Query{})
		// Of each kill one more may be there that wasn't acknowledged in time; it is recorded again and known.
		if err != nil || len(shots) != next && len(shots) != next+1 {
			t.Errorf("%d shots, %v; %d were acknowledged", len(shots), err, next)
		}
		if problems, err := s.Check(t.Context(), CheckOptions{}); err != nil || problems != nil {
			t.Errorf("%v, %v", problems, err)
		}
		for i := range next {
			if _, known, err := s.Record(t.Context(), Record{Reading: anArray(i, 50), At: noon}); err != nil || !known {
				t.Errorf("array %d: known %v, %v", i, known, err)
			}
		}
	})
}

// On a full disk the reading at hand is refused in plain words, what was acknowledged stays, and
// with some room it goes on. SQLite's own limit stands in for the disk's.
func TestFullDisk(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store.db"))
	limit := func(pages int) {
		t.Helper()
		if _, err := s.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	limit(200)
	kept := 0
	var err error
	for ; err == nil && kept < 200; kept++ {
		_, _, err = s.Record(t.Context(), Record{Reading: anArray(kept, 100), At: noon})
	}
	kept--
	if err == nil || !strings.Contains(err.Error(), "the disk is full, make room on it") {
		t.Fatalf("got %v after %d readings", err, kept)
	}
	if n, err := s.Count(t.Context(), Query{}); err != nil || n != kept {
		t.Errorf("got %d shots, %v; want %d", n, err, kept)
	}
	limit(1 << 20)
	mustRecord(t, s, anArray(kept, 100))
	if problems, err := s.Check(t.Context(), CheckOptions{}); err != nil || problems != nil {
		t.Errorf("%v, %v", problems, err)
	}
}
