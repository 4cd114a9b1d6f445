package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// CheckOptions says how thorough a check is.
type CheckOptions struct {
	// Quick leaves out looking into every reading.
	Quick bool
	// Progress is called as readings have been looked at; nil for nobody.
	Progress func(done, total int)
}

// Check looks for damage: that the database is sound, that every shot has its readings, that each
// reading is bit for bit what was recorded, and that the numbers beside the shot are the reading's.
// It returns a sentence for each thing found; the error is for what could not be looked at for other
// reasons than damage.
// Recording may go on meanwhile.
func (s *Store) Check(ctx context.Context, o CheckOptions) (problems []string, err error) {
	for _, look := range []func(context.Context) ([]string, error){s.checkPages, s.checkNumbers, s.checkFiles} {
		found, err := look(ctx)
		problems = append(problems, found...)
		if err != nil {
			return further(problems, err)
		}
	}
	if o.Quick {
		return problems, nil
	}
	found, err := s.checkReadings(ctx, o.Progress)
	return further(append(problems, found...), err)
}

// further adds damage to what was found that keeps a check from looking further.
func further(problems []string, err error) ([]string, error) {
	if errors.Is(err, ErrDamaged) {
		return append(problems, Damage(err)), nil
	}
	return problems, err
}

// Damage returns what an error that matches [ErrDamaged] says of the damage, for the list of a check.
func Damage(err error) string {
	_, what, _ := strings.Cut(err.Error(), ErrDamaged.Error())
	return "the file is damaged" + what
}

// checkPages has SQLite look through its file. PostgreSQL looks after its own (pg_amcheck).
func (s *Store) checkPages(ctx context.Context) (problems []string, err error) {
	if s.dialect == postgres {
		return nil, nil
	}
	found, err := gather(rows(ctx, s, "check", "PRAGMA integrity_check(20)", nil,
		func(r *sql.Rows) (line string, err error) { return line, r.Scan(&line) }))
	if err != nil {
		return nil, err
	}
	for _, line := range found {
		if line != "ok" {
			problems = append(problems, "the file is damaged: "+line)
		}
	}
	broken, err := gather(rows(ctx, s, "check", `SELECT "table", COUNT(*) FROM pragma_foreign_key_check GROUP BY 1`, nil,
		func(r *sql.Rows) (line string, err error) {
			var table string
			var n int
			err = r.Scan(&table, &n)
			return fmt.Sprintf("%d rows of the table %s belong to nothing", n, table), err
		}))
	return append(problems, broken...), err
}

// checkNumbers looks for shots whose readings aren't numbered from 1 to their last.
func (s *Store) checkNumbers(ctx context.Context) ([]string, error) {
	const query = `SELECT shots.id, shots.readings, COUNT(r.number), COALESCE(MIN(r.number), 0), COALESCE(MAX(r.number), 0)
		FROM shots LEFT JOIN readings r ON r.shot_id = shots.id GROUP BY shots.id, shots.readings
		HAVING COUNT(r.number) <> shots.readings OR MIN(r.number) <> 1 OR MAX(r.number) <> shots.readings
		ORDER BY shots.id LIMIT 100`
	return gather(rows(ctx, s, "check", query, nil, func(r *sql.Rows) (string, error) {
		var shot int64
		var want, got, first, last int
		err := r.Scan(&shot, &want, &got, &first, &last)
		return fmt.Sprintf("shot %d should have %d readings, it has %d (%d to %d)", shot, want, got, first, last), err
	}))
}

// checkFiles holds the part and scope files to their versions.
func (s *Store) checkFiles(ctx context.Context) (problems []string, err error) {
	for _, table := range []string{"parts", "scopes"} {
		files, err := s.files(ctx, table)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if sum := sha256.Sum256(f.Text); f.Text != nil && hex.EncodeToString(sum[:]) != f.SHA256 {
				problems = append(problems, fmt.Sprintf("the file of %s in %s is not its version %s", f.Name, table, f.SHA256))
			}
		}
	}
	return problems, nil
}

// checkReadings looks into every reading.
func (s *Store) checkReadings(ctx context.Context, progress func(done, total int)) (problems []string, err error) {
	var total int
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*) FROM readings").Scan(&total); err != nil {
		return nil, s.wrong("check", err)
	}
	columns := quantityColumns()
	query := "SELECT shots.picture_sha256, r.number, " + shotFields + ", " + packedColumns + ", shots." + strings.Join(columns, ", shots.") +
		" FROM readings r JOIN shots ON shots.id = r.shot_id" + packedSites
	done := 0
	for found, err := range rows(ctx, s, "check", query, nil, scanChecked) {
		if err != nil {
			return problems, err
		}
		if found != "" {
			problems = append(problems, found)
		}
		if done++; progress != nil {
			progress(done, total)
		}
	}
	return problems, nil
}

// scanChecked returns what is wrong with a reading, or nothing.
func scanChecked(all *sql.Rows) (string, error) {
	var picture []byte
	var number int
	var shot Shot
	var p packed
	columns := quantityColumns()
	beside := make([]sql.NullFloat64, len(columns))
	into := append(append([]any{&picture, &number}, shot.into()...), p.into()...)
	for i := range beside {
		into = append(into, &beside[i])
	}
	if err := all.Scan(into...); err != nil {
		return "", err
	}
	wrong := func(format string, args ...any) (string, error) {
		return fmt.Sprintf("shot %d, reading %d: ", shot.ID, number) + fmt.Sprintf(format, args...), nil
	}
	raw, err := p.unzip()
	if err != nil {
		return wrong("it can't be unpacked: %v", err)
	}
	if !bytes.Equal(raw.sum(), p.digest) {
		return wrong("it is not what was recorded: the digests differ")
	}
	r, err := raw.reading()
	switch {
	case err != nil:
		return wrong("it can't be read: %v", err)
	case !strings.EqualFold(r.Source.SHA256, hex.EncodeToString(picture)):
		return wrong("it is of the picture %s, its shot of %x", r.Source.SHA256, picture)
	case clean(r.Source.Part) != shot.Part || clean(string(r.Shot.View)) != string(shot.View):
		return wrong("it is of %s, %s, its shot of %s, %s", r.Source.Part, r.Shot.View, shot.Part, shot.View)
	case number != shot.Readings:
		return "", nil // an older one, of which nothing stands beside the shot
	case r.Verdict.Decision != shot.Verdict:
		return wrong("its verdict is %s, that of its shot %s", r.Verdict.Decision, shot.Verdict)
	}
	for i, want := range quantitiesOf(r) {
		if got := beside[i]; got.Valid != (want != nil) || got.Valid && got.Float64 != want.(float64) {
			return wrong("its %s is %v, that beside its shot %v", columns[i], want, got.Float64)
		}
	}
	return "", nil
}
