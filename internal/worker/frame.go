package worker

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// A frame is the length of what follows, four bytes, the largest first, and then JSON.

// maxFrame bounds a frame: a reading of a thousand sites is a twentieth of it.
const maxFrame = 16 << 20

var errFrame = errors.New("what came isn't a frame")

// writeFrame writes v as one frame, in one call of Write.
func writeFrame(w io.Writer, v any) error {
	var b bytes.Buffer
	b.Write(make([]byte, 4))
	if err := json.NewEncoder(&b).Encode(v); err != nil {
		return err
	}
	n := b.Len() - 4
	if n > maxFrame {
		return fmt.Errorf("a frame of %d bytes is longer than the %d that it may have", n, maxFrame)
	}
	binary.BigEndian.PutUint32(b.Bytes(), uint32(n))
	_, err := w.Write(b.Bytes())
	return err
}

// readFrame reads one frame into v. It gives io.EOF where a frame would begin and nothing does, and
// memory only for what arrives, whatever the length claims.
func readFrame(r io.Reader, v any) error {
	var head [4]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return fmt.Errorf("%w: it ends within its length: %w", errFrame, err)
		}
		return err
	}
	n := int64(binary.BigEndian.Uint32(head[:]))
	if n > maxFrame {
		return fmt.Errorf("%w: %d bytes are longer than the %d that one may have", errFrame, n, maxFrame)
	}
	var b bytes.Buffer
	got, err := io.CopyN(&b, r, n)
	switch {
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%w: it ends after %d of %d bytes: %w", errFrame, got, n, io.ErrUnexpectedEOF)
	case err != nil:
		return err
	}
	if err := json.Unmarshal(b.Bytes(), v); err != nil {
		return fmt.Errorf("%w: %w", errFrame, err)
	}
	return nil
}
