package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/reading"
)

// A Query chooses shots. What is empty or zero doesn't restrict.
type Query struct {
	Part, View, Lot, Sample, Line, Head string

	Since, Until time.Time // taken at Since or later, and before Until

	Verdicts []reading.Decision

	// Gate chooses retakes by their reason.
	Gate string

	// Limit chooses the newest so many of what the rest has chosen; 0 is all.
	Limit int
}

// A Shot is what the store knows of a shot without opening its reading. What nobody said is empty.
type Shot struct {
	ID         int64
	TakenAt    time.Time // when it was recorded, where nobody said
	RecordedAt time.Time // when its first reading was kept
	Readings   int       // how many there are of it; the newest speaks for it

	Part     string
	View     reading.View
	Verdict  reading.Decision
	Gate     string // of a retake
	OffsetOf string // die or cap

	Line, Lot, Sample, Head, Nozzle, PickPosition, Operator string
}

// choice puts a query into SQL: a table of ids named chosen, to select from, and its arguments.
func (q Query) choice() (with string, args []any) {
	where, args := q.where()
	if q.Limit <= 0 {
		return "WITH chosen AS (SELECT id FROM shots" + where + ") ", args
	}
	args = append(args, q.Limit)
	return fmt.Sprintf("WITH chosen AS (SELECT id FROM shots%s ORDER BY taken_at DESC, id DESC LIMIT $%d) ", where, len(args)), args
}

func (q Query) where() (where string, args []any) {
	var terms []string
	add := func(term string, v any) {
		args = append(args, v)
		terms = append(terms, fmt.Sprintf(term, len(args)))
	}
	for _, c := range []struct{ column, want string }{
		{"part", q.Part}, {"view", q.View}, {"lot", q.Lot}, {"sample", q.Sample}, {"line", q.Line}, {"head", q.Head}, {"gate", q.Gate},
	} {
		if c.want != "" {
			add(c.column+" = $%d", c.want)
		}
	}
	if !q.Since.IsZero() {
		add("taken_at >= $%d", instant(q.Since))
	}
	if !q.Until.IsZero() {
		add("taken_at < $%d", instant(q.Until))
	}
	if q.Gate != "" || len(q.Verdicts) > 0 && !slices.Contains(q.Verdicts, reading.Accept) {
		terms = append(terms, "verdict <> 'accept'") // has an index of its own
	}
	if len(q.Verdicts) > 0 {
		var places []string
		for _, v := range q.Verdicts {
			args = append(args, string(v))
			places = append(places, fmt.Sprintf("$%d", len(args)))
		}
		terms = append(terms, "verdict IN ("+strings.Join(places, ", ")+")")
	}
	if len(terms) == 0 {
		return "", args
	}
	return " WHERE " + strings.Join(terms, " AND "), args
}

// The columns of a Shot.
const shotFields = `shots.id, shots.taken_at, shots.recorded_at, shots.readings, shots.part, shots.view, shots.verdict,
	COALESCE(gate, ''), COALESCE(offset_of, ''), COALESCE(line, ''), COALESCE(lot, ''), COALESCE(sample, ''),
	COALESCE(head, ''), COALESCE(nozzle, ''), COALESCE(pick_position, ''), COALESCE(operator, '')`

func (s *Shot) into() []any {
	return []any{
		&s.ID, instantOf{&s.TakenAt}, instantOf{&s.RecordedAt}, &s.Readings, &s.Part, &s.View, &s.Verdict,
		&s.Gate, &s.OffsetOf, &s.Line, &s.Lot, &s.Sample, &s.Head, &s.Nozzle, &s.PickPosition, &s.Operator,
	}
}

// rows runs a query and yields what scan makes of each row. It ends with the first error. The
// rows that have been yielded are those of one instant, whatever is recorded meanwhile.
func rows[T any](ctx context.Context, s *Store, what, query string, args []any, scan func(*sql.Rows) (T, error)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		all, err := s.read.QueryContext(ctx, query, args...)
		if err != nil {
			yield(none, s.wrong(what, err))
			return
		}
		defer all.Close()
		for all.Next() {
			v, err := scan(all)
			if err != nil {
				yield(none, s.wrong(what, err))
				return
			}
			if !yield(v, nil) {
				return
			}
		}
		if err := all.Err(); err != nil {
			yield(none, s.wrong(what, err))
		}
	}
}

// gather collects what rows yields.
func gather[T any](all iter.Seq2[T, error]) ([]T, error) {
	var values []T
	for v, err := range all {
		if err != nil {
			return nil, err
		}
		values = append(values, v)
	}
	return values, nil
}

// Shots returns the shots that a query chooses, in the order in which they were taken.
func (s *Store) Shots(ctx context.Context, q Query) ([]Shot, error) {
	with, args := q.choice()
	return gather(rows(ctx, s, "list shots", with+"SELECT "+shotFields+" FROM chosen JOIN shots ON shots.id = chosen.id ORDER BY shots.taken_at, shots.id", args,
		func(r *sql.Rows) (v Shot, err error) { return v, r.Scan(v.into()...) }))
}

// Readings yields the newest reading of each shot that a query chooses, in the order in which they
// were taken, as they were when they were kept, to the last bit. Readings are read as they are
// asked for, so that millions need no memory; recording goes on meanwhile and isn't seen.
func (s *Store) Readings(ctx context.Context, q Query) iter.Seq2[*reading.Reading, error] {
	return func(yield func(*reading.Reading, error) bool) {
		for k, err := range s.Kept(ctx, q) {
			if !yield(k.Reading, err) || err != nil {
				return
			}
		}
	}
}

// A Kept is a reading with what the store knows of its shot.
type Kept struct {
	Shot    Shot
	Reading *reading.Reading
}

// Kept yields what [Store.Readings] does together with the shots.
func (s *Store) Kept(ctx context.Context, q Query) iter.Seq2[Kept, error] {
	with, args := q.choice()
	query := with + "SELECT " + shotFields + ", " + packedColumns + ` FROM chosen JOIN shots ON shots.id = chosen.id
		JOIN readings r ON r.shot_id = shots.id AND r.number = shots.readings` + packedSites + `
		ORDER BY shots.taken_at, shots.id`
	return rows(ctx, s, "read readings", query, args, scanKept)
}

func scanKept(all *sql.Rows) (Kept, error) {
	var k Kept
	var p packed
	err := all.Scan(append(k.Shot.into(), p.into()...)...)
	if err == nil {
		if k.Reading, err = p.unpack(); err != nil {
			err = fmt.Errorf("shot %d: %w", k.Shot.ID, err)
		}
	}
	return k, err
}

// ErrNoShot says that the store has no shot of this number.
var ErrNoShot = errors.New("no such shot")

// History returns every reading of a shot, oldest first. The last one speaks for it.
func (s *Store) History(ctx context.Context, shot int64) ([]*reading.Reading, error) {
	all, err := gather(rows(ctx, s, "read readings", "SELECT "+packedColumns+packedFrom+" WHERE r.shot_id = $1 ORDER BY r.number", []any{shot},
		func(r *sql.Rows) (*reading.Reading, error) {
			var p packed
			if err := r.Scan(p.into()...); err != nil {
				return nil, err
			}
			return p.unpack()
		}))
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("shot %d: %w", shot, ErrNoShot)
	}
	return all, err
}

// Get returns a shot with the reading that speaks for it; [ErrNoShot] when there is none.
func (s *Store) Get(ctx context.Context, shot int64) (Kept, error) {
	all, err := gather(rows(ctx, s, "read a reading", "SELECT "+shotFields+", "+packedColumns+` FROM shots
		JOIN readings r ON r.shot_id = shots.id AND r.number = shots.readings`+packedSites+" WHERE shots.id = $1", []any{shot}, scanKept))
	if err != nil {
		return Kept{}, err
	}
	if len(all) == 0 {
		return Kept{}, fmt.Errorf("shot %d: %w", shot, ErrNoShot)
	}
	return all[0], nil
}
