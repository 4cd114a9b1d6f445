package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
)

// A Value is one number of a shot, to be charted.
type Value struct {
	Shot  Shot
	Value float64
	U     float64 // its standard uncertainty; NaN where the quantity has none
}

// Series returns a quantity of the shots that a query chooses, in the order in which they were
// taken: what a chart needs, without opening a reading. [Quantities] lists the names. Shots that
// don't have the quantity, retakes above all, are left out, and don't count for the limit.
func (s *Store) Series(ctx context.Context, q Query, name string) ([]Value, error) {
	of, err := quantityOf(name)
	if err != nil {
		return nil, err
	}
	q, any, err := s.narrowed(ctx, q, name)
	if err != nil {
		return nil, s.wrong("read "+name, err)
	}
	if !any {
		return nil, nil
	}
	u := "NULL"
	if of.u != "" {
		u = of.u
	}
	where, args := q.where()
	if where == "" {
		where = " WHERE "
	} else {
		where += " AND "
	}
	query := fmt.Sprintf("SELECT %s, %s, %s FROM shots%s%s IS NOT NULL ORDER BY taken_at", shotFields, of.name, u, where, of.name)
	if q.Limit > 0 {
		args = append(args, q.Limit)
		query += fmt.Sprintf(" DESC, id DESC LIMIT $%d", len(args))
	} else {
		query += ", id"
	}
	values, err := gather(rows(ctx, s, "read "+name, query, args, func(r *sql.Rows) (Value, error) {
		v := Value{U: math.NaN()}
		var u sql.NullFloat64
		err := r.Scan(append(v.Shot.into(), &v.Value, &u)...)
		if u.Valid {
			v.U = u.Float64
		}
		return v, err
	}))
	if q.Limit > 0 {
		slices.Reverse(values)
	}
	return values, err
}
