package store

import "context"

// Tidy sums the days that have changed and lets the database look at its data, so that it finds the
// shortest way to an answer. The right moment is when nothing else is to be done, such as at night;
// it takes a few seconds. It returns how many days it has summed, one for each part and view.
func (s *Store) Tidy(ctx context.Context) (days int, err error) {
	if days, err = s.sumDays(ctx, Query{}); err != nil {
		return 0, s.wrong("sum days", err)
	}
	query := "PRAGMA optimize=0x10002" // every table, by samples
	if s.dialect == postgres {
		query = "ANALYZE"
	}
	if _, err := s.write.ExecContext(ctx, query); err != nil {
		return 0, s.wrong("look at the data", err)
	}
	return days, nil
}

// Size returns how many bytes the store takes on the disk.
func (s *Store) Size(ctx context.Context) (bytes int64, err error) {
	query := "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
	if s.dialect == postgres {
		query = "SELECT pg_database_size(current_database())"
	}
	if err := s.read.QueryRowContext(ctx, query).Scan(&bytes); err != nil {
		return 0, s.wrong("ask for its size", err)
	}
	return bytes, nil
}
