package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// chartFiles are what TestChartRefuses charts.
var chartFiles = map[string]string{
	"flow.csv":     "flow\n49.6\n47.6\n49.9\n51.3\n47.8\n51.2\n",
	"bad.csv":      "x,nan,comma,good,when,same,blank,inf\n1,NaN,\"1,5\",1,2031-03-01,5,,1\nn/a,2,2,2,2031-03-02,5,,2\n3,3,3,3,2031-13-03,5,,+Inf\n",
	"lots.csv":     "lot,head,x_um\nA,H1,1\nA,H2,2\nB,H1,3\n",
	"one.csv":      "x\n1\n",
	"short.csv":    "x,y\n1,2\n3\n",
	"huge.csv":     "x\n1e308\n-1e308\n",
	"quote.csv":    "x\n1\n2\"2\n",
	"nothing.csv":  "",
	"headless.csv": "1,2\n3,4\n",
	"twice.csv":    "x,y,x\n1,2,3\n",
	"good.jsonl":   `{"schema":"reading/1","verdict":{"decision":"accept"}}` + "\n",
	"damaged.jsonl": `{"schema":"reading/1","verdict":{"decision":"accept"}}` + "\n" +
		`{"schema":"reading/1","verd` + "\n",
}

// Bad input must be refused with file, line and column and what to do, a wrong command line with
// the flag.
func TestChartRefuses(t *testing.T) {
	dir := t.TempDir()
	for name, text := range chartFiles {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		args   string // of inspect chart, the file first
		status int
		want   string // what standard error holds
	}{
		{"bad.csv --value x", 3, `bad.csv:3: column x: want a number, got "n/a"`},
		{"bad.csv --value nan", 3, "bad.csv:2: column nan: want a finite number, got NaN"},
		{"bad.csv --value comma", 3, `bad.csv:2: column comma: want a number, got "1,5"; did you mean 1.5?`},
		{"bad.csv --value good --time when", 3, `bad.csv:4: column when: want a time such as 2031-03-03T06:01:00Z or 2031-03-03 06:01, got "2031-13-03"`},
		{"bad.csv --value godo", 3, `bad.csv: no column is called "godo"; did you mean good? there are x, nan, comma, good, when, same, blank, inf`},
		{"bad.csv --value good --subgroup lto", 3, `no column is called "lto"`},
		{"bad.csv --value same", 3, "bad.csv: column same: individuals chart: phase 1: all 2 MR are zero: the values don't vary"},
		{"bad.csv --value blank", 3, "bad.csv: column blank: there is no value; left out: 3 without a value"},
		{"one.csv --value x", 3, "one.csv: column x: individuals chart: "},
		{"short.csv --value x", 3, "short.csv:3: the row has 1 of the 2 columns that the first row names"},
		{"huge.csv --value x", 3, "huge.csv:2: column x: want a number of at most 1e+100, got 1e308"},
		{"quote.csv --value x", 3, "quote.csv:3:2: "},
		{"nothing.csv --value x", 3, "nothing.csv: the file is empty"},
		{"headless.csv --value x", 3, "headless.csv:1: want the names of columns in the first row, got the number 1 in column 1"},
		{"twice.csv --value x", 3, `twice.csv:1: two columns are called "x"`},
		{"damaged.jsonl", 3, "damaged.jsonl:2: not a reading, broken off or damaged"},
		{"good.jsonl --value x_um", 3, "good.jsonl: column x_um: there is no value; left out: 1 without a value"},
		{"flow.csv --value flow --where batch=7", 3, `no column is called "batch"`},
		{"lots.csv --value x_um --where head=H3", 3, "no row has head = H3; there are H1, H2"},
		{"bad.csv --value inf", 3, "bad.csv:4: column inf: want a finite number, got +Inf"},
		{"lots.csv --value x_um --kind xbar-r", 3, "lots.csv: column x_um: subgroup B holds one value, and a xbar-r chart needs two or more of each"},
		{"lots.csv --value x_um,x_um --kind t2-subgroups", 3, "subgroup 2 of 2 holds one vector or none"},
		{"one.csv --value x --kind histogram -o h.svg", 3, "one.csv: column x: "},
		{"lots.csv --value x_um --kind p", 3, "lots.csv: column x_um: a p chart needs a column of opportunities"},
		{"flow.csv --value flow --limits-from 40", 3, "baseline from subgroup 1 to 40: want a range inside the 6 subgroups"},
		{"flow.csv --value flow --phase 40=after", 3, "phase 1: goes from subgroup 1 to 39: want it to hold at least one of the 6 subgroups"},
		{"no-such.csv --value x", 3, "no-such.csv"},
		{"flow.csv", 2, "which column? Give --value NAME"},
		{"flow.csv --value flow -o f.gif", 2, "f.gif: a chart's name must end in .png, .svg or .pdf"},
		{"flow.csv --value flow --kind pie", 2, `no kind of chart is called "pie"`},
		{"flow.csv --value flow --kind histogram", 2, "where to? Give -o FILE"},
		{"lots.csv --value x_um --kind scatter -o s.svg", 2, "--kind scatter needs two values"},
		{"lots.csv --value x_um --kind factors", 2, "--kind factors needs one --value and factors"},
		{"lots.csv --value x_um --kind factors --by hed", 3, `no column is called "hed"; did you mean head?`},
		{"lots.csv --value x_um,x_um --kind t2", 3, "lots.csv: columns x_um, x_um: "},
		{"flow.csv --value flow --rules 9", 2, "--rules: "},
		{"flow.csv --value flow --rule-set mine", 2, `--rule-set: want nelson or western, got "mine"`},
		{"flow.csv --value flow --lower 3 --upper 2", 2, "--lower 3 isn't below --upper 2"},
		{"flow.csv --value flow --lower 3 --part tern.yaml", 2, "give the limits once"},
		{"flow.csv --value flow --limits-from 9-3", 2, "--limits-from: want the first N or FROM-TO"},
		{"flow.csv --value flow --exclude 0", 2, "--exclude: want numbers of subgroups from 1"},
		{"flow.csv --value flow --sigma NaN", 2, `--sigma: want a finite number, got "NaN"`},
		{"flow.csv --value flow --where flow", 2, "--where: want COLUMN=VALUE"},
		{"flow.csv --value flow --phase x", 2, "--phase: want N=TEXT"},
		{"flow.csv --value flow --lambda 0.1", 2, "--lambda is for --kind ewma and mewma"},
		{"flow.csv --value flow --kind individuals --k 1", 2, "--k is for --kind cusum"},
		{"flow.csv --value flow --kind ewma --lambda 2", 3, "flow.csv: column flow: "},
		{"flow.csv --value flow --kind ewma --lambda -1", 2, "--lambda: want a number of at least 0"},
		{"lots.csv --value x_um --kind t2 --spread wide", 2, `--spread: want sample, successive or robust, got "wide"`},
		{"lots.csv --value x_um,x_um --kind t2 --centre 1", 2, "--centre: want 2 numbers parted by commas"},
		{"lots.csv --value x_um,x_um --kind t2 --centre 1,2", 2, "give both, one number for each"},
		{"flow.csv --value flow --law cauchy --lower 1", 2, "--law: want best or one of"},
		{"flow.csv --value flow --kind g", 3, "flow.csv: column flow: g chart: count 1 is 49.6, want a whole number"},
		{"lots.csv --value x_um,x_um --kind scatter --radius -1", 2, "--radius: want a number above zero"},
		{"flow.csv --value flow --opportunities -1", 2, "--opportunities: want a number above zero"},
	} {
		args := strings.Fields(c.args)
		args[0] = filepath.Join(dir, args[0])
		var stdout, stderr strings.Builder
		got := run(append([]string{"chart"}, args...), &stdout, &stderr)
		if got != c.status || !strings.Contains(stderr.String(), c.want) {
			t.Errorf("chart %s: status %d, want %d; said %swant %s", c.args, got, c.status, stderr.String(), c.want)
		}
		if stdout.String() != "" {
			t.Errorf("chart %s: printed %q", c.args, stdout.String())
		}
	}
}
