package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
)

// A recorder keeps readings in a store.
type recorder struct {
	store        *store.Store
	at, line     string
	taken, known int
}

// newRecorder opens the store, made when it isn't there, and keeps the part and scope files that
// the readings will name.
func newRecorder(ctx context.Context, at, line string, jobs []intake.Job) (*recorder, error) {
	s, err := store.Open(ctx, at)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	kept := map[string]bool{}
	for _, j := range jobs {
		if !kept[j.Part.Hash] {
			kept[j.Part.Hash] = true
			err = errors.Join(err, s.KeepPart(ctx, j.Part.Name, j.PartText, now))
		}
		if !kept[j.Scope.Hash] {
			kept[j.Scope.Hash] = true
			err = errors.Join(err, s.KeepScope(ctx, j.Scope.Name, j.ScopeText, now))
		}
	}
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return &recorder{store: s, at: at, line: line}, nil
}

func (k *recorder) write(ctx context.Context, r *reading.Reading) error {
	_, known, err := k.store.Record(ctx, store.Record{Reading: r, At: time.Now(), Line: k.line})
	switch {
	case err != nil:
	case known:
		k.known++
	default:
		k.taken++
	}
	return err
}

// end closes the store and says what is in it now.
func (k *recorder) end() (string, error) {
	text := fmt.Sprintf("%d readings kept in %s", k.taken, k.at)
	if k.known > 0 {
		text += fmt.Sprintf(", %d were there already", k.known)
	}
	return text, k.store.Close()
}
