package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// A Record is a reading to keep.
type Record struct {
	Reading *reading.Reading
	At      time.Time // when it is recorded; also when the shot was taken, where the reading doesn't say
	Line    string    // of the plant; empty when there is only one
}

// Record keeps a reading and returns the number of its shot.
//
// The same picture (by the SHA-256 of its bytes) of the same part and view is one shot, however
// often and under whatever name it comes. A reading that the shot has already is known and changes
// nothing. One that differs, because the part file, the scope file, the program or the particulars
// have changed, is kept beside the older ones and speaks for the shot from then on.
func (s *Store) Record(ctx context.Context, rec Record) (shot int64, known bool, err error) {
	err = s.tx(ctx, func(tx *sql.Tx) error {
		shot, known, err = recordTx(ctx, tx, rec)
		return err
	})
	if err != nil {
		return 0, false, s.wrong("keep a reading", err)
	}
	return shot, known, nil
}

// wrong says which store could not do what.
func (s *Store) wrong(what string, err error) error {
	return fmt.Errorf("store %s: %s: %w", s.at, what, plain(err))
}

// recordTx is [Store.Record] as a part of a transaction.
func recordTx(ctx context.Context, tx *sql.Tx, rec Record) (shot int64, known bool, err error) {
	f, err := factsOf(rec)
	if err != nil {
		return 0, false, err
	}
	if err := f.keepLot(ctx, tx); err != nil {
		return 0, false, err
	}
	err = tx.QueryRowContext(ctx, insertShot(), f.columns()...).Scan(&shot)
	number := 1
	if errors.Is(err, sql.ErrNoRows) { // there is such a shot
		var before time.Time
		if shot, number, before, err = lockShot(ctx, tx, f); err != nil {
			return 0, false, err
		}
		if known, err = hasReading(ctx, tx, shot, rec.Reading); known || err != nil {
			return shot, known, err
		}
		number++
		if _, err = tx.ExecContext(ctx, updateShot(), append([]any{shot, number}, f.columns()[lasting:]...)...); err == nil {
			err = f.judgeAgain(ctx, tx)
		}
		if err == nil && !midnight(before).Equal(midnight(f.takenAt)) {
			err = markDay(ctx, tx, f.part, f.view, before, 0)
		}
	}
	if err == nil {
		err = f.keepReading(ctx, tx, shot, number, rec.Reading)
	}
	if err == nil {
		err = markDay(ctx, tx, f.part, f.view, f.takenAt, bitsOf(f.Reading))
	}
	return shot, false, err
}

// facts are what the table of shots holds of a reading.
type facts struct {
	picture                 []byte
	takenAt, recordedAt     time.Time
	line                    string
	part, view, lot, sample string // cleaned
	*reading.Reading
}

func factsOf(rec Record) (*facts, error) {
	r := rec.Reading
	if r == nil {
		return nil, errors.New("no reading")
	}
	f := &facts{Reading: r, part: clean(r.Source.Part), view: clean(string(r.Shot.View)), lot: clean(r.Shot.Lot), sample: clean(r.Shot.Sample),
		recordedAt: instant(rec.At), takenAt: instant(rec.At), line: rec.Line}
	var err error
	if f.picture, err = hex.DecodeString(r.Source.SHA256); err != nil || len(f.picture) != 32 {
		return nil, fmt.Errorf("picture %s: want its SHA-256 as 64 hexadecimal digits, got %q", r.Source.Picture, r.Source.SHA256)
	}
	if r.Source.Part == "" || r.Shot.View == "" {
		return nil, fmt.Errorf("picture %s: a reading without a part or a view", r.Source.Picture)
	}
	if at, ok := series.ParseTime(r.Shot.TakenAt); ok {
		f.takenAt = instant(at)
	}
	return f, nil
}

// shotColumns are the columns of facts, in order; those of quantities follow. The first few stay as
// they were when a shot is read again.
var shotColumns = []string{
	"picture_sha256", "part", "view", "recorded_at",
	"line", "taken_at", "verdict", "gate", "lot", "sample", "head", "nozzle", "pick_position", "operator", "offset_of",
}

const lasting = 4

func (f *facts) columns() []any {
	s := f.Shot
	var gate, of string
	if f.Refusal != nil {
		gate = f.Refusal.Gate
	}
	if f.Offset != nil {
		of = f.Offset.Of
	}
	values := []any{
		f.picture, f.part, f.view, f.recordedAt,
		orNull(f.line), f.takenAt, string(f.Verdict.Decision), orNull(gate), orNull(f.lot), orNull(f.sample),
		orNull(s.Head), orNull(s.Nozzle), orNull(s.PickPosition), orNull(s.Operator), orNull(of),
	}
	return append(values, quantitiesOf(f.Reading)...)
}

var insertShot = sync.OnceValue(func() string {
	columns := slices.Concat(shotColumns, quantityColumns())
	var places []string
	for i := range columns {
		places = append(places, fmt.Sprintf("$%d", i+1))
	}
	return fmt.Sprintf("INSERT INTO shots (%s, readings) VALUES (%s, 1) ON CONFLICT (picture_sha256, part, view) DO NOTHING RETURNING id",
		strings.Join(columns, ", "), strings.Join(places, ", "))
})

// updateShot leaves a line that nobody tells this time.
var updateShot = sync.OnceValue(func() string {
	var sets []string
	for i, c := range slices.Concat(shotColumns, quantityColumns())[lasting:] {
		set := fmt.Sprintf("%s = $%d", c, i+3)
		if c == "line" {
			set = fmt.Sprintf("line = COALESCE($%d, line)", i+3)
		}
		sets = append(sets, set)
	}
	return "UPDATE shots SET readings = $2, " + strings.Join(sets, ", ") + " WHERE id = $1"
})

// keepLot keeps the lot and the sample that a shot names, and when the lot was first and last seen.
func (f *facts) keepLot(ctx context.Context, tx *sql.Tx) error {
	if f.lot == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx, `
		INSERT INTO lots (part, name, line, first_at, last_at) VALUES ($1, $2, $3, $4, $4)
		ON CONFLICT (part, name) DO UPDATE SET
			line = COALESCE(lots.line, excluded.line),
			first_at = CASE WHEN excluded.first_at < lots.first_at THEN excluded.first_at ELSE lots.first_at END,
			last_at = CASE WHEN excluded.last_at > lots.last_at THEN excluded.last_at ELSE lots.last_at END
		WHERE excluded.first_at < lots.first_at OR excluded.last_at > lots.last_at OR lots.line IS NULL`,
		f.part, f.lot, orNull(f.line), f.takenAt)
	if err != nil || f.sample == "" {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO samples (part, lot, name) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", f.part, f.lot, f.sample)
	return err
}

// lockShot returns a shot that exists, how many readings it has and when it was taken, and keeps
// others from adding one until the transaction ends.
func lockShot(ctx context.Context, tx *sql.Tx, f *facts) (id int64, readings int, taken time.Time, err error) {
	err = tx.QueryRowContext(ctx,
		"UPDATE shots SET readings = readings WHERE picture_sha256 = $1 AND part = $2 AND view = $3 RETURNING id, readings, taken_at",
		f.picture, f.part, f.view).Scan(&id, &readings, instantOf{&taken})
	return id, readings, taken, err
}

// hasReading reports whether a shot has this reading, whatever its picture was called.
func hasReading(ctx context.Context, tx *sql.Tx, shot int64, r *reading.Reading) (bool, error) {
	p, err := pack(r)
	if err != nil {
		return false, err
	}
	mine, err := p.unpack() // what JSON can't hold, such as bytes that are no UTF-8, is gone on both sides
	if err != nil {
		return false, err
	}
	want, err := nameless(mine)
	if err != nil {
		return false, err
	}
	rows, err := tx.QueryContext(ctx, "SELECT "+packedColumns+packedFrom+" WHERE r.shot_id = $1 ORDER BY r.number DESC", shot)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	for rows.Next() {
		var p packed
		if err := rows.Scan(p.into()...); err != nil {
			return false, err
		}
		kept, err := p.unpack()
		if err != nil {
			return false, fmt.Errorf("shot %d: %w", shot, err)
		}
		have, err := nameless(kept)
		if err != nil {
			return false, err
		}
		if bytes.Equal(have, want) {
			return true, nil
		}
	}
	return false, rows.Err()
}

// nameless is a reading without the names of its pictures, to compare by.
func nameless(r *reading.Reading) ([]byte, error) {
	c := *r
	c.Source.Picture = ""
	c.Looks = slices.Clone(r.Looks)
	for i := range c.Looks {
		c.Looks[i].Picture = ""
	}
	return json.Marshal(&c)
}

// The columns of a packed reading and where they come from.
const (
	packedColumns = "r.digest, r.body, n.names, s.states, s.places, s.tilts, s.rest, s.more, s.feet"
	packedSites   = " LEFT JOIN site_readings s ON s.shot_id = r.shot_id AND s.number = r.number LEFT JOIN site_lists n ON n.id = s.list_id"
	packedFrom    = " FROM readings r" + packedSites
)

func (p *packed) into() []any {
	return []any{&p.digest, &p.body, &p.names, &p.states, &p.places, &p.tilts, &p.rest, &p.more, &p.feet}
}

// keepReading keeps r as it is.
func (f *facts) keepReading(ctx context.Context, tx *sql.Tx, shot int64, number int, r *reading.Reading) error {
	at := f.recordedAt
	p, err := pack(r)
	if err != nil {
		return err
	}
	part, err := fileID(ctx, tx, "parts", f.part, clean(r.Source.PartHash), at)
	if err != nil {
		return err
	}
	scope, err := fileID(ctx, tx, "scopes", clean(r.Source.Scope), clean(r.Source.ScopeHash), at)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO readings (shot_id, number, recorded_at, part_id, scope_id, digest, body) VALUES ($1, $2, $3, $4, $5, $6, $7)",
		shot, number, at, part, scope, p.digest, p.body)
	if err != nil || p.names == nil {
		return err
	}
	list, err := siteList(ctx, tx, p.names)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO site_readings (shot_id, number, list_id, states, places, tilts, rest, more, feet) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
		shot, number, list, p.states, p.places, p.tilts, p.rest, p.more, p.feet)
	return err
}
