package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
)

// MostPictureBytes is more than the largest picture that is measured takes up uncompressed: 100
// megapixels of four 16-bit channels, and a header.
const MostPictureBytes = 800<<20 + 1<<20

// ErrTooLarge is of a file that can't be a picture to measure; it wasn't read.
var ErrTooLarge = errors.New("larger than any picture that is measured")

// ErrChanged is of a file that was written to while it was read.
var ErrChanged = errors.New("the file changed while it was read")

// Content reads a file and returns the SHA-256 of its bytes, hexadecimal, and how the file looked.
// It never waits for a pipe or a device, and ends when ctx does.
func Content(ctx context.Context, path string) (sum string, at Stamp, err error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return "", Stamp{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", Stamp{}, err
	}
	at = stampOf(info)
	switch {
	case !info.Mode().IsRegular():
		return "", at, fmt.Errorf("%s: not a file", path)
	case at.Size > MostPictureBytes:
		return "", at, fmt.Errorf("%s: %.3g GB are %w", path, float64(at.Size)/1e9, ErrTooLarge)
	}
	h := sha256.New()
	for {
		if err := ctx.Err(); err != nil {
			return "", at, err
		}
		n, err := io.CopyN(h, f, 4<<20)
		if errors.Is(err, io.EOF) && n < 4<<20 {
			break
		}
		if err != nil {
			return "", at, err
		}
	}
	if info, err = f.Stat(); err != nil {
		return "", at, err
	}
	if now := stampOf(info); !now.Same(at) {
		return "", now, fmt.Errorf("%s: %w", path, ErrChanged)
	}
	return hex.EncodeToString(h.Sum(nil)), at, nil
}

func stampOf(info os.FileInfo) Stamp { return Stamp{info.Size(), info.ModTime()} }
