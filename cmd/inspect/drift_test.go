package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// refusedFiles are what TestDriftAndPlanRefuse takes. All of them are named in its commands as DIR/name.
var refusedFiles = map[string]string{
	"one.csv":    "x\n3\n",
	"bad.csv":    "head,good,when,nan,inf,same,blank\nH1,1,2031-03-01,2,Inf,5,\nH1,2,2031-03-02,NaN,1,5,\nH1,4,2031-13-03,3,2,5,\n",
	"broken.csv": "lot_size,nonconforming\n800,0\n800,two\n",
	"many.csv":   "lot_size,nonconforming\n800,90\n",
	"half.csv":   "lot_size,nonconforming\n800,0.5\n",
}

// Bad input must be refused with file, line and column and what to do, a wrong command line with the
// flag, and nothing printed as if it were a result.
func TestDriftAndPlanRefuse(t *testing.T) {
	dir := t.TempDir()
	for name, text := range refusedFiles {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		args   string
		status int
		want   string // what standard error holds
	}{
		{"drift DIR/bad.csv --value nan", 3, "bad.csv:3: column nan: want a finite number, got NaN"},
		{"drift DIR/bad.csv --value inf", 3, "bad.csv:2: column inf: want a finite number, got Inf"},
		{"drift DIR/bad.csv --value good --time when", 3, `bad.csv:4: column when: want a time such as 2031-03-03T06:01:00Z or 2031-03-03 06:01, got "2031-13-03"`},
		{"drift DIR/bad.csv --value godo", 3, `no column is called "godo"; did you mean good?`},
		{"drift DIR/bad.csv --value good --subgroup lto", 3, `no column is called "lto"`},
		{"drift DIR/bad.csv --value blank", 3, "bad.csv: column blank: there is no value"},
		{"drift DIR/one.csv --value x", 3, "one.csv: column x: 1 of two or more values"},
		{"drift DIR/bad.csv --value good --by head", 3, "bad.csv: column head: there is only one level, H1"},
		{"drift DIR/one.csv --value x --since yesterday", 2, "--since: want a time such as"},
		{"drift DIR/bad.csv --value good --time when --since 2031-03-01", 3, "bad.csv:4: column when: want a time such as"},
		{"drift DIR/bad.csv", 2, "which column? Give --value NAME"},
		{"drift DIR/bad.csv --value good -o x.gif", 2, "x.gif: a chart's name must end in .png, .svg or .pdf"},
		{"drift DIR/bad.csv --value good --level 0", 2, "--level: want a number between 0 and 1, got 0"},
		{"drift DIR/no-such.csv --value x", 3, "no-such.csv"},
		{"drift DIR/bad.csv --store DIR/line.db --value good", 2, "a file or a store?"},
		{"drift", 2, "which file? Give a FILE, or --store AT and --part NAME"},
		{"drift DIR/bad.csv --value good --time when --since 2031-03-05 --until 2031-03-04", 2, "--since 2031-03-05 isn't before --until 2031-03-04"},
		{"correct --store DIR/line.db --part tern", 3, "line.db: there is no such file"},
		{"correct DIR/one.csv --value x", 3, "one.csv: column x: 1 of two or more values"},
		{"correct DIR/bad.csv --value same", 3, "bad.csv: column same: all 3 values equal 5: without spread nothing tells how sure they are"},
		{"correct DIR/bad.csv --value good --by hed", 3, `no column is called "hed"; did you mean head?`},
		{"correct DIR/bad.csv --value good --confidence 95", 2, "--confidence: want a number between 0 and 1, got 95"},
		{"correct DIR/bad.csv --value good --deadband -1", 2, "want a deadband of at least 0"},
		{"correct DIR/bad.csv --value good --gain 0", 2, "a gain that isn't 0"},
		{"correct DIR/bad.csv --value good --lower 3 --upper 1", 2, "--lower 3 isn't below --upper 1"},
		{"plan charts", 2, `inspect plan has no command "charts"; did you mean chart?`},
		{"plan chart", 2, "--shift: want a number above 0, got 0"},
		{"plan chart --shift NaN", 2, "--shift: want a number above 0, got NaN"},
		{"plan chart --shift 1 --every 2", 2, "--every: want a number above 2, got 2"},
		{"plan chart --shift 8 --every 50", 3, "is seen at once by single points"},
		{"plan sampling", 2, "which plan?"},
		{"plan sampling --aql 1.2 --lot 800", 2, "no AQL of 1.2 %, want one of"},
		{"plan sampling --aql 1", 2, "--aql needs the size of the lot"},
		{"plan sampling --aql 1 --lot 1", 2, "--lot: want 2 units or more"},
		{"plan sampling --aql 1 --lot 800 --level IV", 2, `no inspection level "IV"`},
		{"plan sampling --fraction 1.5", 2, "want"},
		{"plan sampling --good 0.04 --bad 0.01", 2, "good quality 0.04 must be below bad 0.01"},
		{"plan sampling --n 5 --accept 9", 2, "5 units with acceptance number 9"},
		{"plan sampling --aql 1 --lots DIR/broken.csv", 3, `broken.csv:3: column nonconforming: want a number, got "two"`},
		{"plan sampling --aql 1 --lots DIR/half.csv", 3, "half.csv: lot 1: want whole numbers of units"},
		{"plan sampling --aql 1 --lots DIR/many.csv", 3, "many.csv: lot 1: ISO 2859-1: 90 nonconforming in a sample of 80"},
	} {
		args := strings.Fields(strings.ReplaceAll(c.args, "DIR", dir))
		var stdout, stderr strings.Builder
		got := run(args, &stdout, &stderr)
		if got != c.status || !strings.Contains(stderr.String(), c.want) {
			t.Errorf("%s: status %d, want %d; said %swant %s", c.args, got, c.status, stderr.String(), c.want)
		}
		if stdout.String() != "" {
			t.Errorf("%s: printed %q", c.args, stdout.String())
		}
	}
}
