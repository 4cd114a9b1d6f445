package reading

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
)

// Lines reads JSON Lines of readings one by one, as inspect measure writes them. Blank lines are
// passed over. It ends with an error that names the file and the line where one isn't a reading;
// what was yielded before it is good. name is the file's, for messages.
func Lines(r io.Reader, name string) iter.Seq2[*Reading, error] {
	return func(yield func(*Reading, error) bool) {
		in := bufio.NewReaderSize(r, 1<<16)
		for n := 1; ; n++ {
			line, err := in.ReadBytes('\n')
			if err != nil && !errors.Is(err, io.EOF) {
				yield(nil, fmt.Errorf("%s:%d: %w", name, n, err))
				return
			}
			last := err != nil
			if line = bytes.TrimSpace(line); len(line) > 0 {
				reading, err := parse(line)
				if err != nil {
					yield(nil, fmt.Errorf("%s:%d: %w", name, n, err))
					return
				}
				if !yield(reading, nil) {
					return
				}
			}
			if last {
				return
			}
		}
	}
}

func parse(line []byte) (*Reading, error) {
	r := new(Reading)
	if err := json.Unmarshal(line, r); err != nil {
		var syntax *json.SyntaxError
		if errors.As(err, &syntax) {
			return nil, fmt.Errorf("not a reading, broken off or damaged at character %d: %w", syntax.Offset, err)
		}
		return nil, fmt.Errorf("not a reading: %w", err)
	}
	if r.Schema != Schema {
		return nil, fmt.Errorf("not a reading: want schema %q, got %q", Schema, r.Schema)
	}
	switch r.Verdict.Decision {
	case Accept, Reject, Review, Retake:
	default:
		return nil, fmt.Errorf("not a reading: no verdict is called %q", r.Verdict.Decision)
	}
	if (r.Verdict.Decision == Retake) != (r.Refusal != nil) {
		return nil, fmt.Errorf("not a reading: verdict %s, refusal given: %v", r.Verdict.Decision, r.Refusal != nil)
	}
	return r, nil
}
