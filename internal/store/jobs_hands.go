package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
)

// Hands are the programs that work at the queue. When one is killed, the others give its tasks back.
// A hand on this machine is known to be dead when its process is gone. Of one elsewhere, or in
// another container, it is guessed from its beats: a number in its row that it counts up. Clocks
// don't come into it. A guess that is wrong costs a measurement, never a reading: whoever ends a
// task must still hold it.
const (
	beatEvery = 10 * time.Second
	handLost  = time.Minute
	// mostMissed is how many beats in a row may fail until the work ends with an error.
	mostMissed = 3
)

// A pulse is what was last seen of another hand's beats, and when that was new.
type pulse struct {
	beats int64
	at    time.Time
}

// handName returns a name for a hand that says on which machine it is, and in which process.
func handName() string {
	return fmt.Sprintf("%s.%s.%s", machine(), process(), strings.ToLower(rand.Text()[:8]))
}

// begin makes the hand known and gives back the tasks of dead ones.
func (h *hand) begin(ctx context.Context) error {
	if _, err := h.write.ExecContext(ctx, "INSERT INTO jobs_hands (name, beats) VALUES ($1, 0)", h.name); err != nil {
		return err
	}
	// A task that was given back is due at once, but for a clock that has jumped since.
	const due = "UPDATE river_job SET state = 'available', scheduled_at = $1 WHERE state IN ('available', 'scheduled', 'retryable') AND scheduled_at > $1"
	if _, err := h.write.ExecContext(ctx, due, h.riverTime(longAgo)); err != nil {
		return err
	}
	return h.rescue(ctx)
}

// riverTime is a time as River keeps it.
func (s *Store) riverTime(t time.Time) any {
	if s.dialect == postgres {
		return t
	}
	return t.UTC().Format("2006-01-02 15:04:05.000")
}

// end takes the hand's name away. It does nothing any more.
func (h *hand) end() {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	// When it fails, others find out by the beats that don't come.
	_, _ = h.write.ExecContext(ctx, "DELETE FROM jobs_hands WHERE name = $1", h.name)
}

// live gives signs of life and looks for those of others, until ctx ends.
func (h *hand) live(ctx context.Context) error {
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	missed := 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
		_, err := h.write.ExecContext(ctx, `INSERT INTO jobs_hands (name, beats) VALUES ($1, 1)
			ON CONFLICT (name) DO UPDATE SET beats = jobs_hands.beats + 1`, h.name)
		if err == nil {
			err = h.rescue(ctx)
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			missed = 0
		case missed+1 == mostMissed:
			return err
		default:
			missed++
		}
	}
}

// rescue gives back the tasks of hands that are dead.
func (h *hand) rescue(ctx context.Context) error {
	client, err := h.river(&river.Config{})
	if err != nil {
		return err
	}
	// First the tasks: a hand is in the table before it takes any.
	running, err := client.JobList(ctx, river.NewJobListParams().States(rivertype.JobStateRunning).First(10_000))
	if err != nil {
		return err
	}
	beats, err := h.beats(ctx)
	if err != nil {
		return err
	}
	dead := h.dead(beats, time.Now())
	for _, job := range running.Jobs {
		name := ""
		if n := len(job.AttemptedBy); n > 0 {
			name = job.AttemptedBy[n-1]
		}
		if _, known := beats[name]; known && !dead[name] {
			continue
		}
		const release = "UPDATE river_job SET state = 'available' WHERE id = $1 AND attempt = $2 AND state = 'running'"
		if _, err := h.write.ExecContext(ctx, release, job.ID, job.Attempt); err != nil {
			return err
		}
	}
	for name := range dead {
		if _, err := h.write.ExecContext(ctx, "DELETE FROM jobs_hands WHERE name = $1 AND beats = $2", name, beats[name]); err != nil {
			return err
		}
	}
	return nil
}

// beats returns how often each hand has said that it lives.
func (h *hand) beats(ctx context.Context) (map[string]int64, error) {
	type row struct {
		name  string
		beats int64
	}
	all, err := gather(rows(ctx, h.Store, "look who works at the queue", "SELECT name, beats FROM jobs_hands", nil,
		func(r *sql.Rows) (b row, err error) { return b, r.Scan(&b.name, &b.beats) }))
	beats := map[string]int64{}
	for _, b := range all {
		beats[b.name] = b.beats
	}
	return beats, err
}

// dead returns the hands that don't live any more.
func (h *hand) dead(beats map[string]int64, now time.Time) map[string]bool {
	dead := map[string]bool{}
	seen := map[string]pulse{}
	for name, n := range beats {
		if name == h.name {
			continue
		}
		p, ok := h.others[name]
		if !ok || p.beats != n {
			p = pulse{n, now}
		}
		seen[name] = p
		parts := strings.Split(name, ".")
		gone := len(parts) == 3 && parts[0] == machine() && !lives(parts[1])
		dead[name] = gone || now.Sub(p.at) > h.lost
		if !dead[name] {
			delete(dead, name)
		}
	}
	h.others = seen
	return dead
}
