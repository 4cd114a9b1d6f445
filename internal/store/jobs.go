package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivertype"

	"plumbsquare/internal/reading"
)

// A Job is a picture to be measured, or the corner shots of one die. Its content, part and view are what tells it from others; the
// rest of its shot is for whoever measures it.
type Job struct {
	Path   string // of the picture, as whoever measures it finds it; of corner shots, a name for people
	SHA256 string // of its bytes, hexadecimal; of corner shots, over theirs
	Shot   reading.Shot
	Part   string // name of the part
	Scope  string
	Line   string // of the plant

	// Corners are the pictures of a die in corner shots, in their order; empty for one by itself.
	Corners []Corner

	// Inbox is the name of the place that Path is in: who works at that inbox measures it. Where all
	// pictures are in one place it may be empty.
	Inbox string
}

// A Corner is one of the pictures of a job.
type Corner struct {
	Path   string `json:"path"` // as a job's
	SHA256 string `json:"sha256"`
}

// A Task is a job that somebody has taken from the queue to do it.
type Task struct {
	Job
	ID      int64
	Attempt int // from 1; also attempts that a kill broke off count
}

// An Aside is a job that was given up: its picture can't be measured.
type Aside struct {
	Job
	ID  int64
	Why string
	At  time.Time
}

// A QueueState counts what is in the queue.
type QueueState struct {
	Waiting, Running int
	Aside            int
}

// measureArgs is a job as River keeps it. Fields marked unique are the key of [measureArgs.Kind].
type measureArgs struct {
	SHA256 string       `json:"sha256" river:"unique"`
	Part   string       `json:"part" river:"unique"`
	View   reading.View `json:"view" river:"unique"`
	Path   string       `json:"path"`
	Scope  string       `json:"scope"`
	Line   string       `json:"line"`
	Inbox  string       `json:"inbox"`
	Shot   reading.Shot `json:"shot"`

	Corners []Corner `json:"corners,omitempty"`
}

// Kind names this kind of jobs in River's table.
func (measureArgs) Kind() string { return "measure" }

func (j Job) args() measureArgs {
	return measureArgs{SHA256: j.SHA256, Part: j.Part, View: j.Shot.View, Path: j.Path, Scope: j.Scope, Line: j.Line, Inbox: j.Inbox, Shot: j.Shot, Corners: j.Corners}
}

func (a measureArgs) job() Job {
	return Job{Path: a.Path, SHA256: a.SHA256, Shot: a.Shot, Part: a.Part, Scope: a.Scope, Line: a.Line, Inbox: a.Inbox, Corners: a.Corners}
}

// longAgo is when every job falls due: jobs are worked in the order of their numbers, and a clock
// that jumps back doesn't make them wait for it. River is told afterwards, since it would wait for
// its next look at what is due.
var longAgo = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// manyAttempts is no limit: kills of the whole program break attempts off for which no picture is to
// blame. Those that are to blame are counted in [Store.Work].
const manyAttempts = 32000

// Enqueue takes a picture into the queue, unless one of the same content, part and view is known: in
// the queue, measured, or set aside. When it returns without an error, the job is on the disk.
func (s *Store) Enqueue(ctx context.Context, j Job) (known bool, err error) {
	key, err := hex.DecodeString(j.SHA256)
	if err != nil || len(key) != 32 {
		return false, fmt.Errorf("picture %s: want its SHA-256 as 64 hexadecimal digits, got %q", j.Path, j.SHA256)
	}
	if j.Part == "" || j.Shot.View == "" {
		return false, fmt.Errorf("picture %s: a job without a part or a view", j.Path)
	}
	err = s.tx(ctx, func(tx *sql.Tx) error {
		const query = `SELECT EXISTS (SELECT 1 FROM shots WHERE picture_sha256 = $1 AND part = $2 AND view = $3)
			OR EXISTS (SELECT 1 FROM jobs_aside WHERE picture_sha256 = $1 AND part = $2 AND view = $3)`
		look := func() error {
			return tx.QueryRowContext(ctx, query, key, j.Part, string(j.Shot.View)).Scan(&known)
		}
		if err := look(); err != nil || known {
			return err
		}
		client, err := s.river(&river.Config{})
		if err != nil {
			return err
		}
		done, err := client.InsertTx(ctx, tx, j.args(), &river.InsertOpts{
			MaxAttempts: manyAttempts, Queue: queueOf(j.Inbox),
			UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: rivertype.JobStates()},
		})
		if err != nil || done.UniqueSkippedAsDuplicate {
			known = err == nil
			return err
		}
		// Between the look and here another machine may have ended the same job.
		if err := look(); err != nil {
			return err
		}
		if known {
			_, err = client.JobDeleteTx(ctx, tx, done.Job.ID)
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE river_job SET scheduled_at = $2 WHERE id = $1", done.Job.ID, s.riverTime(longAgo)); err != nil {
			return err
		}
		if s.dialect == sqlite { // River keeps a row for those who listen; here nobody does
			_, err = tx.ExecContext(ctx, "DELETE FROM river_notification")
		}
		return err
	})
	if err != nil {
		return false, s.wrong("take a picture into the queue", err)
	}
	return known, nil
}

// queueOf returns River's name for the queue of an inbox, of letters that it takes.
func queueOf(inbox string) string {
	if inbox == "" {
		return river.QueueDefault
	}
	sum := sha256.Sum256([]byte(inbox))
	return "inbox-" + hex.EncodeToString(sum[:8])
}

// SetAside returns the jobs that were given up, oldest first.
func (s *Store) SetAside(ctx context.Context) ([]Aside, error) {
	const query = "SELECT id, picture_sha256, part, scope, line, path, shot, why, set_aside_at FROM jobs_aside ORDER BY id"
	return gather(rows(ctx, s, "list what was set aside", query, nil, scanAside))
}

// AsideOf returns why a job was given up; nil when it was not.
func (s *Store) AsideOf(ctx context.Context, j Job) (*Aside, error) {
	key, err := hex.DecodeString(j.SHA256)
	if err != nil {
		return nil, err
	}
	const query = `SELECT id, picture_sha256, part, scope, line, path, shot, why, set_aside_at FROM jobs_aside
		WHERE picture_sha256 = $1 AND part = $2 AND view = $3`
	all, err := gather(rows(ctx, s, "look for what was set aside", query, []any{key, j.Part, string(j.Shot.View)}, scanAside))
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return &all[0], nil
}

// ErrNoAside says that no job of a number was given up.
var ErrNoAside = errors.New("nothing of this number was set aside")

// TakeUp forgets that a job was given up, so that its picture may be taken into the queue again.
func (s *Store) TakeUp(ctx context.Context, id int64) error {
	err := s.tx(ctx, func(tx *sql.Tx) error {
		r, err := tx.ExecContext(ctx, "DELETE FROM jobs_aside WHERE id = $1", id)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, ErrNoAside)
		}
		return nil
	})
	if err != nil {
		return s.wrong(fmt.Sprintf("take up %d", id), err)
	}
	return nil
}

// QueueState counts what is in the queue now.
func (s *Store) QueueState(ctx context.Context) (QueueState, error) {
	var q QueueState
	const query = `SELECT (SELECT count(*) FROM river_job WHERE state IN ('available', 'retryable', 'scheduled', 'pending')),
		(SELECT count(*) FROM river_job WHERE state = 'running'), (SELECT count(*) FROM jobs_aside)`
	err := s.read.QueryRowContext(ctx, query).Scan(&q.Waiting, &q.Running, &q.Aside)
	if err != nil {
		return QueueState{}, s.wrong("count the queue", err)
	}
	return q, nil
}

// river returns a client of the queue. It does nothing by itself until it is started.
func (s *Store) river(c *river.Config) (*river.Client[*sql.Tx], error) {
	c.Logger = slog.New(slog.DiscardHandler)
	c.SkipUnknownJobCheck = true
	return river.NewClient(s.riverDriver(), c)
}

func (s *Store) riverDriver() riverdriver.Driver[*sql.Tx] {
	if s.dialect == postgres {
		return riverdatabasesql.New(s.write)
	}
	return riversqlite.New(s.write)
}
