package store

import (
	"bytes"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/store/pgtest"
)

// restore makes a store of a backup.
func restore(t *testing.T, file string) *Store {
	t.Helper()
	if strings.HasSuffix(file, ".db") {
		return open(t, file)
	}
	at := pgtest.New(t)
	if out, err := exec.Command("pg_restore", "--dbname="+at, file).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return open(t, at)
}

// everything is what a store yields of its readings.
func everything(t *testing.T, s *Store) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.ExportJSON(t.Context(), Query{}, &b, nil); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestBackupIsTheStore(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i := range 10 {
			mustRecord(t, s, aDie(i))
			mustRecord(t, s, anArray(i, 30))
		}
		if err := s.KeepPart(t.Context(), "tern", []byte("part: tern"), noon); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		file, err := s.Backup(t.Context(), dir, noon)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(filepath.Base(file), "store-20310305T120000Z.") {
			t.Errorf("the backup is called %s", file)
		}
		copied := restore(t, file)
		if diff := cmp.Diff(everything(t, s), everything(t, copied)); diff != "" {
			t.Error(diff)
		}
		if problems, err := copied.Check(t.Context(), CheckOptions{}); err != nil || problems != nil {
			t.Errorf("%v, %v", problems, err)
		}
		if _, known, err := copied.Record(t.Context(), Record{Reading: aDie(3), At: noon}); err != nil || !known {
			t.Errorf("known %v, %v", known, err)
		}
		if _, err := s.Backup(t.Context(), file, noon); err == nil {
			t.Error("a backup was overwritten")
		}
		left, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range left {
			if strings.Contains(f.Name(), "partial") {
				t.Errorf("%s was left", f.Name())
			}
		}
	})
}

// Recording goes on while a backup runs, and the backup holds what was there when it began.
func TestBackupWhileRecording(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i := range 40 {
			mustRecord(t, s, anArray(i, 100))
		}
		stop := make(chan struct{})
		var wg sync.WaitGroup
		recorded := 0
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				if _, _, err := s.Record(t.Context(), Record{Reading: aDie(i), At: noon}); err != nil {
					t.Error(err)
					return
				}
				recorded++
			}
		})
		file, err := s.Backup(t.Context(), t.TempDir(), noon)
		close(stop)
		wg.Wait()
		if err != nil {
			t.Fatal(err)
		}
		if recorded == 0 {
			t.Error("nothing could be recorded during the backup")
		}
		copied := restore(t, file)
		shots, err := copied.Shots(t.Context(), Query{})
		if err != nil || len(shots) < 40 || len(shots) > 40+recorded {
			t.Errorf("got %d shots, %v; want 40 to %d", len(shots), err, 40+recorded)
		}
		if problems, err := copied.Check(t.Context(), CheckOptions{}); err != nil || problems != nil {
			t.Errorf("%v, %v", problems, err)
		}
	})
}

func TestBackupLeavesNothingWhenItFails(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		to := filepath.Join(t.TempDir(), "no folder", "copy.db")
		if _, err := s.Backup(t.Context(), to, noon); err == nil {
			t.Error("a backup in no folder")
		}
		if _, err := os.Stat(to); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("got %v", err)
		}
	})
}

// Each damage is found, and said of the shot that has it.
func TestCheckFindsDamage(t *testing.T) {
	damages := []struct{ damage, want string }{ // of the shots 1, 2, 3 …
		{"UPDATE shots SET head = 'H9' WHERE id = 1", ""},
		{"DELETE FROM site_readings WHERE shot_id = 2; DELETE FROM readings WHERE shot_id = 2", "shot 2 should have 1 readings, it has 0"},
		{"UPDATE shots SET readings = 2 WHERE id = 3", "shot 3 should have 2 readings, it has 1"},
		{"UPDATE readings SET body = (SELECT body FROM readings WHERE shot_id = 1) WHERE shot_id = 4", "shot 4, reading 1: it is not what was recorded"},
		{"UPDATE readings SET body = digest WHERE shot_id = 5", "shot 5, reading 1: it can't be unpacked"},
		{"UPDATE readings SET digest = body WHERE shot_id = 6", "shot 6, reading 1: it is not what was recorded"},
		{"DELETE FROM site_readings WHERE shot_id = 7", "shot 7, reading 1: it is not what was recorded"},
		{"UPDATE site_readings SET places = tilts WHERE shot_id = 8", "shot 8, reading 1: it is not what was recorded"},
		{"UPDATE shots SET blur_px = 0.5 WHERE id = 9", "shot 9, reading 1: its blur_px is"},
		{"UPDATE shots SET blur_px = NULL WHERE id = 10", "shot 10, reading 1: its blur_px is"},
		{"UPDATE shots SET verdict = 'review' WHERE id = 11", "shot 11, reading 1: its verdict is accept, that of its shot review"},
		{"UPDATE parts SET file = (SELECT digest FROM site_lists)", "the file of tern in parts is not its version"},
	}
	each(t, func(t *testing.T, s *Store) {
		for i := range damages {
			mustRecord(t, s, anArray(14*i, 10))
		}
		if problems, err := s.Check(t.Context(), CheckOptions{}); err != nil || problems != nil {
			t.Fatalf("%v, %v", problems, err)
		}
		for _, d := range damages {
			err := s.tx(t.Context(), func(tx *sql.Tx) error {
				_, err := tx.Exec(d.damage)
				return err
			})
			if err != nil {
				t.Fatalf("%s: %v", d.damage, err)
			}
		}
		problems, err := s.Check(t.Context(), CheckOptions{})
		if err != nil {
			t.Fatal(err)
		}
		all := strings.Join(problems, "\n")
		for _, d := range damages {
			if !strings.Contains(all, d.want) {
				t.Errorf("%s: %q was not found", d.damage, d.want)
			}
		}
		if want := len(damages) - 1; len(problems) != want {
			t.Errorf("got %d problems, want %d:\n%s", len(problems), want, all)
		}
		if quick, err := s.Check(t.Context(), CheckOptions{Quick: true}); err != nil || len(quick) != 3 {
			t.Errorf("%q, %v", quick, err)
		}
	})
}

// A file with a damaged page is found out.
func TestCheckFindsADamagedPage(t *testing.T) {
	at := filepath.Join(t.TempDir(), "store.db")
	s, err := Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 50 {
		mustRecord(t, s, aDie(i))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	page := b[len(b)-3*4096 : len(b)-2*4096]
	for i := range page {
		page[i] ^= 0x55
	}
	if err := os.WriteFile(at, b, 0o666); err != nil {
		t.Fatal(err)
	}
	problems, err := open(t, at).Check(t.Context(), CheckOptions{})
	if err == nil && len(problems) == 0 {
		t.Error("nothing was found")
	}
}
