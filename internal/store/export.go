package store

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// ExportJSON writes the readings that a query chooses as JSON Lines, as inspect measure does. done
// is called after each; nil for nobody. As with the other exports, memory hardly grows with them.
func (s *Store) ExportJSON(ctx context.Context, q Query, w io.Writer, done func()) error {
	out := json.NewEncoder(w)
	for r, err := range s.Readings(ctx, q) {
		if err != nil {
			return err
		}
		if err := out.Encode(r); err != nil {
			return err
		}
		call(done)
	}
	return nil
}

func call(f func()) {
	if f != nil {
		f()
	}
}

// Columns that an exported table of shots begins with; those of reading's table of shots follow.
var storeColumns = []string{"shot", "recorded_at", "line"}

func (s *Shot) storeCells() []string {
	return []string{strconv.FormatInt(s.ID, 10), s.RecordedAt.Format(time.RFC3339Nano), s.Line}
}

// ExportCSV writes a table of the shots that a query chooses and, where sites isn't nil, one of
// their sites: the columns that docs/readings.md describes, those of shots behind shot (its number
// in the store), recorded_at and line.
func (s *Store) ExportCSV(ctx context.Context, q Query, shots, sites io.Writer, done func()) error {
	out := csv.NewWriter(shots)
	table, err := newCells()
	if err != nil {
		return err
	}
	if err := out.Write(slices.Concat(storeColumns, table.columns)); err != nil {
		return err
	}
	var places *reading.SiteTable
	if sites != nil {
		if places, err = reading.NewSiteTable(sites); err != nil {
			return err
		}
	}
	for k, err := range s.Kept(ctx, q) {
		if err != nil {
			return err
		}
		row, err := table.row(k.Reading)
		if err != nil {
			return err
		}
		if err := out.Write(append(k.Shot.storeCells(), row...)); err != nil {
			return err
		}
		if places != nil {
			if err := places.Write(k.Reading); err != nil {
				return err
			}
		}
		call(done)
	}
	out.Flush()
	return out.Error()
}

// cells takes rows of reading's table of shots apart.
type cells struct {
	buffer  bytes.Buffer
	table   *reading.ShotTable
	columns []string
}

func newCells() (*cells, error) {
	c := new(cells)
	var err error
	if c.table, err = reading.NewShotTable(&c.buffer); err != nil {
		return nil, err
	}
	c.columns, err = c.next()
	return c, err
}

func (c *cells) next() ([]string, error) {
	row, err := csv.NewReader(&c.buffer).Read()
	c.buffer.Reset()
	return row, err
}

func (c *cells) row(r *reading.Reading) ([]string, error) {
	if err := c.table.Write(r); err != nil {
		return nil, err
	}
	return c.next()
}

// Rows that ExportParquet gathers before it writes them: a row group, which is held in memory.
const parquetGroup = 50_000

// ExportParquet writes the table of shots as Parquet: the columns of ExportCSV, numbers as doubles,
// taken_at and recorded_at as times (a taken_at that isn't one is left out), and what there is none
// of as null.
func (s *Store) ExportParquet(ctx context.Context, q Query, w io.Writer, done func()) error {
	table, err := newCells()
	if err != nil {
		return err
	}
	names := slices.Concat(storeColumns, table.columns)
	numbers := quantityColumns()
	group := parquet.Group{}
	parse := map[string]func(string) (parquet.Value, error){}
	for _, name := range names {
		switch {
		case name == "shot":
			group[name], parse[name] = parquet.Int(64), parquetInt
		case name == "taken_at" || name == "recorded_at":
			group[name], parse[name] = parquet.Optional(parquet.Timestamp(parquet.Microsecond)), parquetTime
		case slices.Contains(numbers, name):
			group[name], parse[name] = parquet.Optional(parquet.Leaf(parquet.DoubleType)), parquetDouble
		default:
			group[name], parse[name] = parquet.Optional(parquet.Encoded(parquet.String(), &parquet.RLEDictionary)), parquetText
		}
	}
	schema := parquet.NewSchema("shot", group)
	var order []int // of names, by the schema's columns
	for _, path := range schema.Columns() {
		order = append(order, slices.Index(names, path[0]))
	}
	out := parquet.NewWriter(w, schema, parquet.Compression(&parquet.Zstd), parquet.MaxRowsPerRowGroup(parquetGroup))
	row := make(parquet.Row, len(order))
	for k, err := range s.Kept(ctx, q) {
		if err != nil {
			return err
		}
		cells, err := table.row(k.Reading)
		if err != nil {
			return err
		}
		cells = append(k.Shot.storeCells(), cells...)
		for column, i := range order {
			v, err := parse[names[i]](cells[i])
			if err != nil {
				return fmt.Errorf("shot %d, %s: %w", k.Shot.ID, names[i], err)
			}
			defined := 1
			if v.IsNull() || names[i] == "shot" {
				defined = 0
			}
			row[column] = v.Level(0, defined, column)
		}
		if _, err := out.WriteRows([]parquet.Row{row}); err != nil {
			return err
		}
		call(done)
	}
	return out.Close()
}

func parquetInt(text string) (parquet.Value, error) {
	n, err := strconv.ParseInt(text, 10, 64)
	return parquet.Int64Value(n), err
}

func parquetTime(text string) (parquet.Value, error) {
	at, ok := series.ParseTime(text)
	if !ok {
		return parquet.NullValue(), nil
	}
	return parquet.Int64Value(at.UnixMicro()), nil
}

func parquetDouble(text string) (parquet.Value, error) {
	if text == "" {
		return parquet.NullValue(), nil
	}
	v, err := strconv.ParseFloat(text, 64)
	return parquet.DoubleValue(v), err
}

func parquetText(text string) (parquet.Value, error) {
	if text == "" {
		return parquet.NullValue(), nil
	}
	return parquet.ByteArrayValue([]byte(text)), nil
}
