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

// from is what to select the shots from that a query chooses, under the name of shots.
func (q Query) from() (from string, args []any) {
	where, args := q.where()
	if q.Limit <= 0 {
		return " FROM shots" + where, args
	}
	args = append(args, q.Limit)
	return fmt.Sprintf(" FROM (SELECT * FROM shots%s ORDER BY taken_at DESC, id DESC LIMIT $%d) AS shots", where, len(args)), args
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

// batch is how many shots ordered reads at a time.
const batch = 100

// ordered yields what scan makes of each shot that a query chooses, in the order in which they were
// taken: fields of shots and what joins adds to them. Only the shots' numbers are put in order,
// eight bytes each in memory; the rest is read batch by batch, so that no database has to sort
// readings. All that is yielded is of one instant, whatever is recorded meanwhile.
func ordered[T any](ctx context.Context, s *Store, what string, q Query, fields, joins string, scan func(*sql.Rows) (int64, T, error)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		wrong := func(err error) { yield(none, s.wrong(what, err)) }
		var options *sql.TxOptions
		if s.dialect == postgres {
			options = &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true}
		}
		tx, err := s.read.BeginTx(ctx, options)
		if err != nil {
			wrong(err)
			return
		}
		defer func() { _ = tx.Rollback() }() // nothing was written
		ids, err := q.ids(ctx, tx)
		if err != nil {
			wrong(err)
			return
		}
		query := "SELECT " + fields + " FROM shots" + joins + " WHERE shots.id IN (" + places(batch) + ")"
		for some := range slices.Chunk(ids, batch) {
			found, err := pick(ctx, tx, query, some, scan)
			if err != nil {
				wrong(err)
				return
			}
			for _, id := range some {
				if v, ok := found[id]; ok && !yield(v, nil) {
					return
				}
			}
		}
	}
}

// ids returns the numbers of the shots that a query chooses, in the order in which they were taken.
func (q Query) ids(ctx context.Context, tx *sql.Tx) (ids []int64, err error) {
	where, args := q.where()
	query := "SELECT id FROM shots" + where + " ORDER BY taken_at, id"
	if q.Limit > 0 {
		args = append(args, q.Limit)
		query = fmt.Sprintf("SELECT id FROM shots%s ORDER BY taken_at DESC, id DESC LIMIT $%d", where, len(args))
	}
	all, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer all.Close()
	for all.Next() {
		var id int64
		if err := all.Scan(&id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	if q.Limit > 0 {
		slices.Reverse(ids)
	}
	return ids, all.Err()
}

// pick reads some shots.
func pick[T any](ctx context.Context, tx *sql.Tx, query string, ids []int64, scan func(*sql.Rows) (int64, T, error)) (map[int64]T, error) {
	args := make([]any, batch)
	for i := range args {
		args[i] = ids[min(i, len(ids)-1)] // the same statement for a batch that isn't full
	}
	all, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer all.Close()
	found := make(map[int64]T, len(ids))
	for all.Next() {
		id, v, err := scan(all)
		if err != nil {
			return nil, err
		}
		found[id] = v
	}
	return found, all.Err()
}

// places lists n places for arguments.
func places(n int) string {
	var all []string
	for i := range n {
		all = append(all, fmt.Sprintf("$%d", i+1))
	}
	return strings.Join(all, ", ")
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
	from, args := q.from()
	return gather(rows(ctx, s, "list shots", "SELECT "+shotFields+from+" ORDER BY shots.taken_at, shots.id", args,
		func(r *sql.Rows) (v Shot, err error) { return v, r.Scan(v.into()...) }))
}

// Readings yields the newest reading of each shot that a query chooses, in the order in which they
// were taken, as they were when they were kept, to the last bit. Readings are read as they are
// asked for, so that millions need little memory; recording goes on meanwhile and isn't seen.
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
	return ordered(ctx, s, "read readings", q, keptFields, keptJoins, func(all *sql.Rows) (int64, Kept, error) {
		k, err := scanKept(all)
		return k.Shot.ID, k, err
	})
}

// What a Kept is scanned from.
const (
	keptFields = shotFields + ", " + packedColumns
	keptJoins  = " JOIN readings r ON r.shot_id = shots.id AND r.number = shots.readings" + packedSites
)

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
	all, err := gather(rows(ctx, s, "read a reading", "SELECT "+keptFields+" FROM shots"+keptJoins+" WHERE shots.id = $1", []any{shot}, scanKept))
	if err != nil {
		return Kept{}, err
	}
	if len(all) == 0 {
		return Kept{}, fmt.Errorf("shot %d: %w", shot, ErrNoShot)
	}
	return all[0], nil
}
