package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/rivertype"

	"plumbsquare/internal/reading"
)

// ErrPutBack is matched by errors of those who do a task, when it is to leave the queue as if it had
// never been there: its picture is gone, or what is known of it has changed.
var ErrPutBack = errors.New("put back")

// A retried error of a task has it tried again, until it has failed so for Tries times.
type retried interface {
	error
	Tries() int
}

// How often the queue is looked into. The first is a read of an index.
const (
	pollEvery = 400 * time.Millisecond
	pollFirst = 10 * time.Millisecond // after the job before
)

// stopWithin is how long the end of the work may wait for a store that is locked or away. Tasks that
// could not be given back by then go back as those of a hand that was killed.
const stopWithin = 10 * time.Second

// Work has do do the tasks of an inbox, n at a time and oldest first, until ctx ends, which is no
// error. It returns an error when the store fails; no task is lost by that, calling it again goes on.
// Any number of programs may work at one store.
//
// What do returns decides about a task:
//   - a reading is recorded, in one transaction with the end of the task;
//   - an error that matches [ErrPutBack] takes the task out of the queue without a trace;
//   - an error that has a method Tries() int has the task tried again, unless this is the Tries-th
//     time that it ended so;
//   - any other error sets the task aside for good, see [Store.SetAside];
//   - whatever it returns after its context has ended, the task stays in the queue.
//
// When a program is killed, its tasks go back into the queue as soon as another works at it, and a
// reading that was not recorded is made again. done is told of each task that has ended, after that
// is on the disk; a kill in between may keep it from being told.
func (s *Store) Work(ctx context.Context, inbox string, n int, do func(context.Context, Task) (*reading.Reading, error), done func(Task, *reading.Reading, error)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	h := &hand{Store: s, name: handName(), lost: handLost, do: do, done: done, fail: cancel}
	if err := h.begin(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return s.wrong("work through the queue", err)
	}
	defer h.end()

	workers := river.NewWorkers()
	river.AddWorker(workers, h)
	client, err := s.river(&river.Config{
		ID: h.name, Workers: workers, Queues: map[string]river.QueueConfig{queueOf(inbox): {MaxWorkers: n}},
		PollOnly: true, FetchPollInterval: pollEvery, FetchCooldown: pollFirst,
		LeaderElectionDisabled: true, // nothing of what a leader does is needed: tasks that end leave no rows, and none is due later
		JobTimeout:             -1,   // whoever measures knows how long it may take
	})
	if err == nil {
		h.client = client
		err = client.Start(context.WithoutCancel(ctx))
	}
	if err != nil {
		return s.wrong("work through the queue", err)
	}
	err = h.live(ctx)
	stopping, stop := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer stop()
	if stopped := client.StopAndCancel(stopping); err == nil && !errors.Is(stopped, context.DeadlineExceeded) {
		err = stopped
	}
	if failed := context.Cause(ctx); err == nil && !errors.Is(failed, context.Canceled) && !errors.Is(failed, context.DeadlineExceeded) {
		err = failed
	}
	if err != nil {
		return s.wrong("work through the queue", err)
	}
	return nil
}

// A hand works at the queue.
type hand struct {
	river.WorkerDefaults[measureArgs]
	*Store
	name   string
	lost   time.Duration // without a sign of life after which another hand is taken for dead
	others map[string]pulse
	client *river.Client[*sql.Tx]
	do     func(context.Context, Task) (*reading.Reading, error)
	done   func(Task, *reading.Reading, error)
	fail   func(error) // ends the work
}

// NextRetry has a task that is tried again tried at once.
func (h *hand) NextRetry(*river.Job[measureArgs]) time.Time {
	return time.Now().Add(time.Millisecond) // River takes none in the past
}

// Work does one task, for River.
func (h *hand) Work(ctx context.Context, job *river.Job[measureArgs]) error {
	t := Task{Job: job.Args.job(), ID: job.ID, Attempt: job.Attempt}
	r, err := h.do(ctx, t)
	if ctx.Err() != nil && err != nil {
		return h.leave(ctx, job, river.JobSnooze(0))
	}
	rec := Record{Reading: r, At: time.Now(), Line: t.Line}
	if err == nil {
		_, err = factsOf(rec) // a reading that can't be kept
	}
	again, ok := errors.AsType[retried](err)
	if ok && len(job.Errors)+1 < again.Tries() {
		return h.leave(ctx, job, err)
	}
	ended := h.tx(context.WithoutCancel(ctx), func(tx *sql.Tx) error {
		ctx := context.WithoutCancel(ctx)
		switch {
		case err == nil:
			if _, _, err := recordTx(ctx, tx, rec); err != nil {
				return err
			}
		case !errors.Is(err, ErrPutBack):
			if err := setAsideTx(ctx, tx, t, err.Error(), rec.At); err != nil {
				return err
			}
		}
		return h.endTx(ctx, tx, job)
	})
	switch {
	case errors.Is(ended, errNotHeld):
		return h.leave(ctx, job, nil)
	case ended != nil:
		h.fail(fmt.Errorf("keep what became of %s: %w", t.Path, plain(ended)))
		return h.leave(ctx, job, river.JobSnooze(0))
	}
	if h.done != nil {
		h.done(t, r, err)
	}
	return nil
}

// endTx ends a task and takes it out of the queue. It fails with errNotHeld when the task isn't this
// hand's any more.
func (h *hand) endTx(ctx context.Context, tx *sql.Tx, job *river.Job[measureArgs]) error {
	query := jobQuery
	if h.dialect == postgres {
		query += " FOR UPDATE"
	}
	state, err := scanHeld(tx.QueryRowContext(ctx, query, job.ID), job.Attempt)
	if err != nil {
		return err
	}
	if state != holds {
		return errNotHeld
	}
	if _, err := river.JobCompleteTx[riverdriver.Driver[*sql.Tx]](ctx, tx, job); err != nil {
		return err
	}
	_, err = h.client.JobDeleteTx(ctx, tx, job.ID)
	return err
}

// errNotHeld says that this hand was taken for dead and its task given back.
var errNotHeld = errors.New("the task is somebody else's")

// A holding is how a task stands to a hand that has begun it.
type holding int

const (
	holds   holding = iota // it is the hand's
	elsesIs                // another hand does it
	free                   // it waits in the queue
	ended                  // it isn't in the queue any more
)

const jobQuery = "SELECT attempt, state FROM river_job WHERE id = $1"

func scanHeld(row *sql.Row, attempt int) (holding, error) {
	var now int
	var state string
	switch err := row.Scan(&now, &state); {
	case errors.Is(err, sql.ErrNoRows):
		return ended, nil
	case err != nil:
		return 0, err
	case state != string(rivertype.JobStateRunning):
		return free, nil
	case now != attempt:
		return elsesIs, nil
	}
	return holds, nil
}

// leave returns what River is to be told of a task that hasn't ended: say, when the task is this
// hand's yet. What River then writes, it writes into any task of that number that is being done. So
// when another hand does it, this one waits until that is over.
func (h *hand) leave(ctx context.Context, job *river.Job[measureArgs], say error) error {
	const lookAgain = time.Second
	for {
		state, err := scanHeld(h.read.QueryRowContext(context.WithoutCancel(ctx), jobQuery, job.ID), job.Attempt)
		switch {
		case err != nil: // the store fails; a task that is done twice is recorded once
			return cmp.Or(say, river.JobSnooze(0))
		case state == holds && say != nil:
			return say
		case state == ended:
			return nil
		case state == free || ctx.Err() != nil:
			return river.JobSnooze(0)
		}
		select {
		case <-ctx.Done():
		case <-time.After(lookAgain):
		}
	}
}

func setAsideTx(ctx context.Context, tx *sql.Tx, t Task, why string, at time.Time) error {
	key, err := hex.DecodeString(t.SHA256)
	if err != nil {
		return err
	}
	shot, err := json.Marshal(t.Shot)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO jobs_aside (picture_sha256, part, view, scope, line, path, shot, why, set_aside_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`,
		key, t.Part, string(t.Shot.View), t.Scope, t.Line, t.Path, string(shot), clean(why), instant(at))
	return err
}

func scanAside(r *sql.Rows) (Aside, error) {
	var a Aside
	var key []byte
	var shot string
	err := r.Scan(&a.ID, &key, &a.Part, &a.Scope, &a.Line, &a.Path, &shot, &a.Why, instantOf{&a.At})
	if err == nil {
		err = json.Unmarshal([]byte(shot), &a.Shot)
	}
	a.SHA256 = hex.EncodeToString(key)
	return a, err
}
