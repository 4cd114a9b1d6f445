package store

import (
	"context"
	"encoding/hex"
	"fmt"

	"plumbsquare/internal/reading"
)

// OfPicture returns the shot of a picture's content, by the SHA-256 of its bytes, of a part and a view,
// with the reading that speaks for it; nil when it was never measured.
func (s *Store) OfPicture(ctx context.Context, sha256, part string, view reading.View) (*Kept, error) {
	key, err := hex.DecodeString(sha256)
	if err != nil || len(key) != 32 {
		return nil, fmt.Errorf("want the SHA-256 of a picture as 64 hexadecimal digits, got %q", sha256)
	}
	all, err := gather(rows(ctx, s, "read a reading", "SELECT "+keptFields+" FROM shots"+keptJoins+
		" WHERE shots.picture_sha256 = $1 AND shots.part = $2 AND shots.view = $3", []any{key, part, string(view)}, scanKept))
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return &all[0], nil
}
