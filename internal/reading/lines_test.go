package reading_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
)

func collect(text string) (all []*reading.Reading, err error) {
	for r, e := range reading.Lines(strings.NewReader(text), "r.jsonl") {
		if e != nil {
			return all, e
		}
		all = append(all, r)
	}
	return all, nil
}

func TestLinesReadsWhatWasWritten(t *testing.T) {
	accepted := full()
	accepted.Refusal = nil
	retake := full()
	retake.Verdict.Decision = reading.Retake
	var b strings.Builder
	for _, r := range []*reading.Reading{accepted, retake} {
		if err := json.NewEncoder(&b).Encode(r); err != nil {
			t.Fatal(err)
		}
		b.WriteString("\n \n")
	}
	got, err := collect(strings.TrimSpace(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]*reading.Reading{accepted, retake}, got); d != "" {
		t.Error(d)
	}
}

func TestLinesSaysWhere(t *testing.T) {
	const good = `{"schema":"reading/1","verdict":{"decision":"accept"}}` + "\n"
	for _, c := range []struct{ text, want string }{
		{good + "\n" + `{"schema":"reading/1","ver`, "r.jsonl:3: not a reading, broken off or damaged at character 26"},
		{good + `{"schema":"reading/2"}`, `r.jsonl:2: not a reading: want schema "reading/1", got "reading/2"`},
		{"x,y\n1,2\n", "r.jsonl:1: not a reading, broken off"},
		{`{"schema":"reading/1","verdict":{"decision":"ok"}}`, `r.jsonl:1: not a reading: no verdict is called "ok"`},
		{`{"schema":"reading/1","verdict":{"decision":"retake"}}`, `r.jsonl:1: not a reading: verdict retake, refusal given: false`},
		{`{"schema":"reading/1","quality":{"blur_px":"x"}}`, "r.jsonl:1: not a reading: json: cannot unmarshal string"},
	} {
		all, err := collect(c.text)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%.60q: got error %v, want %s", c.text, err, c.want)
		}
		if want := strings.Count(c.text, good); len(all) != want {
			t.Errorf("%.60q: got %d readings before the error, want %d", c.text, len(all), want)
		}
	}
	if all, err := collect(""); len(all) != 0 || err != nil {
		t.Errorf("empty file: got %v, %v", all, err)
	}
}

func FuzzLines(f *testing.F) {
	f.Add(`{"schema":"reading/1","verdict":{"decision":"accept"}}` + "\n\n{")
	f.Fuzz(func(t *testing.T, text string) {
		all, _ := collect(text)
		for _, r := range all {
			if r == nil || r.Schema != reading.Schema {
				t.Errorf("yielded %+v", r)
			}
		}
	})
}
