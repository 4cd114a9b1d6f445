package series

// OfRows makes a table of rows, each a text for every column. Rows whose column "verdict" says
// retake are left out and counted. file is the name for messages.
func OfRows(file string, columns []string, rows [][]string) *Table {
	t := &Table{File: file, Columns: columns}
	for i, row := range rows {
		t.add(row, i+1)
	}
	return t
}
