package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
)

// patience is how long something may take that takes a second where there is nothing else to do.
const patience = 5 * time.Minute

func aJob(n int) Job {
	sum := sha256.Sum256(fmt.Append(nil, n))
	return Job{
		Path: fmt.Sprintf("inbox/päck \"%d\".png", n), SHA256: hex.EncodeToString(sum[:]), Part: "tern", Scope: "bench1", Line: "A",
		Shot: reading.Shot{View: reading.DiePlan, Lot: "L1", Sample: fmt.Sprint(n), TurnDeg: 90, Stage: &reading.Stage{XMm: 0.1}},
	}
}

// answer is what measuring a job gives.
func answer(j Job) *reading.Reading {
	return &reading.Reading{
		Schema: reading.Schema, Shot: j.Shot,
		Source:  reading.Source{Picture: j.Path, SHA256: j.SHA256, Part: j.Part, PartHash: "p", Scope: j.Scope, ScopeHash: "s", Program: "v1"},
		Verdict: reading.Verdict{Decision: reading.Accept},
		Offset:  &reading.Offset{Of: "die", XUm: 1.0 / 3, UXUm: 0.1},
	}
}

func measured(_ context.Context, t Task) (*reading.Reading, error) { return answer(t.Job), nil }

func enqueue(t *testing.T, s *Store, jobs ...Job) {
	t.Helper()
	for _, j := range jobs {
		if known, err := s.Enqueue(t.Context(), j); err != nil || known {
			t.Fatalf("%s: known %v, %v", j.Path, known, err)
		}
	}
}

// work works until so many tasks have ended, and returns what done was told, in that order.
func work(t *testing.T, s *Store, ends, n int, do func(context.Context, Task) (*reading.Reading, error)) (ended []Task, errs []error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	var mu sync.Mutex
	err := s.Work(ctx, "", n, do, func(task Task, _ *reading.Reading, err error) {
		mu.Lock()
		defer mu.Unlock()
		ended, errs = append(ended, task), append(errs, err)
		if len(ended) == ends {
			cancel()
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(ended) != ends {
		t.Fatalf("%d tasks ended, want %d", len(ended), ends)
	}
	return ended, errs
}

// whole checks that the store has the shots of so many jobs, each once with its reading, and the
// queue nothing but what was set aside.
func whole(t *testing.T, s *Store, jobs []Job, aside int) {
	t.Helper()
	q, err := s.QueueState(t.Context())
	if want := (QueueState{Aside: aside}); err != nil || q != want {
		t.Errorf("queue: got %+v, %v, want %+v", q, err, want)
	}
	got := map[string]*reading.Reading{}
	for k, err := range s.Kept(t.Context(), Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if k.Shot.Readings != 1 || got[k.Reading.Source.SHA256] != nil {
			t.Errorf("%s was recorded more than once", k.Reading.Source.Picture)
		}
		got[k.Reading.Source.SHA256] = k.Reading
	}
	if len(got) != len(jobs) {
		t.Errorf("%d shots of %d jobs", len(got), len(jobs))
	}
	for _, j := range jobs {
		if d := cmp.Diff(answer(j), got[j.SHA256]); d != "" {
			t.Errorf("%s (-want +got):\n%s", j.Path, d)
		}
	}
}

func TestWorkRecordsAndEnds(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		var jobs []Job
		for n := range 30 {
			j := aJob(n)
			j.Corners = []Corner{{fmt.Sprint(n, ".png"), "aa"}, {"b.png", "bb"}}
			jobs = append(jobs, j)
		}
		enqueue(t, s, jobs...)
		ended, errs := work(t, s, len(jobs), 1, func(ctx context.Context, task Task) (*reading.Reading, error) {
			if task.Attempt != 1 {
				t.Errorf("%s: attempt %d", task.Path, task.Attempt)
			}
			return measured(ctx, task)
		})
		for i, task := range ended { // oldest first, all of the job comes through
			if d := cmp.Diff(jobs[i], task.Job); d != "" || errs[i] != nil {
				t.Errorf("task %d: %v (-want +got)\n%s", i, errs[i], d)
			}
		}
		whole(t, s, jobs, 0)
	})
}

// The same content, part and view is one job, whatever has become of it.
func TestEnqueueKnows(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		a, b, c := aJob(1), aJob(2), aJob(3)
		enqueue(t, s, a, b, c)
		again := func(when string, j Job, want bool) {
			t.Helper()
			j.Path, j.Shot.Lot, j.Shot.Operator = "other.png", "L2", "me"
			if known, err := s.Enqueue(t.Context(), j); err != nil || known != want {
				t.Errorf("%s: known %v, %v, want %v", when, known, err, want)
			}
		}
		again("waiting", a, true)
		work(t, s, 3, 1, func(ctx context.Context, task Task) (*reading.Reading, error) {
			switch task.SHA256 {
			case a.SHA256:
				again("running", a, true)
				return answer(a), nil
			case b.SHA256:
				return nil, errors.New("the part has no die")
			}
			return nil, fmt.Errorf("gone: %w", ErrPutBack)
		})
		again("measured", a, true)
		again("set aside", b, true)
		again("put back", c, false)
		other := a
		other.Part = "wren"
		again("another part", other, false)
		other = a
		other.Shot.View = reading.CapPlan
		again("another view", other, false)
		for _, bad := range []Job{{Path: "x", Part: "p", Shot: a.Shot}, {Path: "x", SHA256: a.SHA256, Shot: a.Shot}, {Path: "x", SHA256: a.SHA256, Part: "p"}} {
			if _, err := s.Enqueue(t.Context(), bad); err == nil || !strings.Contains(err.Error(), "picture x") {
				t.Errorf("%+v: got %v", bad, err)
			}
		}
	})
}

func TestSetAside(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		j := aJob(1)
		enqueue(t, s, j)
		start := time.Now()
		_, errs := work(t, s, 1, 1, func(context.Context, Task) (*reading.Reading, error) {
			return nil, errors.New("the part\x00 has no \xff die")
		})
		if errs[0] == nil {
			t.Error("done was told no reason")
		}
		all, err := s.SetAside(t.Context())
		if err != nil || len(all) != 1 {
			t.Fatal(all, err)
		}
		a := all[0]
		if d := cmp.Diff(j, a.Job); d != "" || a.Why != "the part\ufffd has no \ufffd die" || a.At.Before(instant(start)) {
			t.Errorf("got %+v\n%s", a, d)
		}
		if of, err := s.AsideOf(t.Context(), j); err != nil || of == nil || of.ID != a.ID {
			t.Errorf("got %+v, %v", of, err)
		}
		if err := s.TakeUp(t.Context(), a.ID); err != nil {
			t.Error(err)
		}
		if err := s.TakeUp(t.Context(), a.ID); !errors.Is(err, ErrNoAside) {
			t.Errorf("got %v", err)
		}
		if of, err := s.AsideOf(t.Context(), j); err != nil || of != nil {
			t.Errorf("got %+v, %v", of, err)
		}
		enqueue(t, s, j)
		work(t, s, 1, 1, measured)
		whole(t, s, []Job{j}, 0)
	})
}

type twice struct{}

func (twice) Error() string { return "it died" }
func (twice) Tries() int    { return 2 }

// A task that kills its worker is tried a second time, and set aside when it does it again.
func TestTries(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		bad, unlucky := aJob(1), aJob(2)
		enqueue(t, s, bad, unlucky)
		var tries, luck atomic.Int32
		work(t, s, 2, 2, func(ctx context.Context, task Task) (*reading.Reading, error) {
			if task.SHA256 == bad.SHA256 {
				tries.Add(1)
				return nil, fmt.Errorf("measure it: %w", twice{})
			}
			if luck.Add(1) == 1 {
				return nil, twice{}
			}
			return measured(ctx, task)
		})
		if tries.Load() != 2 || luck.Load() != 2 {
			t.Errorf("%d and %d tries, want 2 and 2", tries.Load(), luck.Load())
		}
		all, err := s.SetAside(t.Context())
		if err != nil || len(all) != 1 || all[0].SHA256 != bad.SHA256 || all[0].Why != "measure it: it died" {
			t.Errorf("got %+v, %v", all, err)
		}
		whole(t, s, []Job{unlucky}, 1)
	})
}

// Work that is stopped in the middle of a task leaves it in the queue, with nothing counted against it.
func TestStoppedWork(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		j := aJob(1)
		enqueue(t, s, j)
		for range 4 {
			ctx, cancel := context.WithCancel(t.Context())
			err := s.Work(ctx, "", 1, func(ctx context.Context, _ Task) (*reading.Reading, error) {
				cancel()
				<-ctx.Done()
				return nil, errors.Join(twice{}, ctx.Err()) // whatever comes of it
			}, func(Task, *reading.Reading, error) { t.Error("the task ended") })
			if err != nil {
				t.Fatal(err)
			}
		}
		work(t, s, 1, 1, measured)
		whole(t, s, []Job{j}, 0)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := s.Work(ctx, "", 1, measured, nil); err != nil {
			t.Errorf("ended before it began: %v", err)
		}
	})
}

// Several programs at one queue share the tasks, and each is done once.
func TestManyHands(t *testing.T) {
	eachAddress(t, func(t *testing.T, at string) {
		const n, hands = 40, 3
		var jobs []Job
		for i := range n {
			jobs = append(jobs, aJob(i))
		}
		first := open(t, at)
		enqueue(t, first, jobs...)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		var mu sync.Mutex
		times := map[string]int{}
		var by [hands]int
		var wg sync.WaitGroup
		for h := range hands {
			s := open(t, at)
			wg.Go(func() {
				err := s.Work(ctx, "", 2, func(ctx context.Context, task Task) (*reading.Reading, error) {
					time.Sleep(3 * time.Millisecond)
					return measured(ctx, task)
				}, func(task Task, _ *reading.Reading, err error) {
					mu.Lock()
					defer mu.Unlock()
					times[task.SHA256]++
					by[h]++
					if len(times) == n {
						cancel()
					}
				})
				if err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		for _, j := range jobs {
			if times[j.SHA256] != 1 {
				t.Errorf("%s was done %d times", j.Path, times[j.SHA256])
			}
		}
		if slices.Contains(by[:], 0) {
			t.Errorf("one did nothing: %v", by)
		}
		whole(t, first, jobs, 0)
	})
}

// A hand that is taken for dead while it lives costs a measurement; the shot is recorded once.
func TestWrongGuess(t *testing.T) {
	eachAddress(t, func(t *testing.T, at string) {
		slow, quick := open(t, at), open(t, at)
		j := aJob(1)
		enqueue(t, slow, j)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		began, go1 := make(chan bool), make(chan bool)
		var wg sync.WaitGroup
		var told, tries atomic.Int32
		wg.Go(func() {
			err := slow.Work(ctx, "", 1, func(ctx context.Context, task Task) (*reading.Reading, error) {
				if tries.Add(1) == 1 {
					began <- true
					<-go1
				}
				return measured(ctx, task)
			}, func(Task, *reading.Reading, error) { told.Add(1) })
			if err != nil {
				t.Error(err)
			}
		})
		<-began
		h := &hand{Store: quick, name: handName(), lost: -1}
		if err := h.rescue(ctx); err != nil {
			t.Fatal(err)
		}
		_, errs := work(t, quick, 1, 1, func(ctx context.Context, task Task) (*reading.Reading, error) {
			if task.Attempt != 2 {
				t.Errorf("attempt %d", task.Attempt)
			}
			close(go1)
			// The slow one ends its attempt while this one has the task.
			time.Sleep(200 * time.Millisecond)
			return measured(ctx, task)
		})
		cancel()
		wg.Wait()
		if errs[0] != nil || told.Load() != 0 {
			t.Errorf("got %v; the slow one was told %d times", errs[0], told.Load())
		}
		whole(t, quick, []Job{j}, 0)
	})
}

// When the store fails, Work says so, and goes on when it is called again.
func TestWorkWhenTheStoreFails(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		j := aJob(1)
		enqueue(t, s, j)
		rename := func(from, to string) {
			if _, err := s.write.ExecContext(t.Context(), "ALTER TABLE "+from+" RENAME TO "+to); err != nil {
				t.Fatal(err)
			}
		}
		rename("shots", "hidden")
		err := s.Work(t.Context(), "", 1, measured, func(Task, *reading.Reading, error) { t.Error("it ended") })
		if err == nil || !strings.Contains(err.Error(), j.Path) {
			t.Errorf("got %v", err)
		}
		rename("hidden", "shots")
		work(t, s, 1, 1, measured)
		whole(t, s, []Job{j}, 0)
	})
}

// A program that is killed in the middle of its tasks loses none: who works next does them.
func TestKilledProgram(t *testing.T) {
	eachAddress(t, func(t *testing.T, at string) {
		s := open(t, at)
		var jobs []Job
		for n := range 12 {
			jobs = append(jobs, aJob(n))
		}
		enqueue(t, s, jobs...)
		for range 3 {
			c := exec.Command(os.Args[0], "-test.run=^TestBeKilled$")
			c.Env = append(os.Environ(), "STORE_TO_WORK_AT="+at)
			out, err := c.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			if _, err := out.Read(make([]byte, 1)); err != nil { // it has two tasks done and some under way
				t.Error(err)
			}
			if err := c.Process.Kill(); err != nil {
				t.Error(err)
			}
			_ = c.Wait()
		}
		q, err := s.QueueState(t.Context())
		if err != nil || q.Running == 0 {
			t.Errorf("the kill hit nothing: %+v, %v", q, err)
		}
		work(t, s, q.Waiting+q.Running, 2, measured)
		whole(t, s, jobs, 0)
	})
}

// TestBeKilled is the program that TestKilledProgram kills.
func TestBeKilled(t *testing.T) {
	at := os.Getenv("STORE_TO_WORK_AT")
	if at == "" {
		return
	}
	s := open(t, at)
	var done atomic.Int32
	err := s.Work(t.Context(), "", 2, func(ctx context.Context, task Task) (*reading.Reading, error) {
		if done.Load() >= 2 {
			fmt.Print(".")
			<-ctx.Done()
		}
		return measured(ctx, task)
	}, func(Task, *reading.Reading, error) { done.Add(1) })
	t.Fatal("lived on", err)
}

// A hand elsewhere is dead when it no longer counts; one here when its process is gone.
func TestDead(t *testing.T) {
	h := &hand{name: "m.1-1.me", lost: 30 * time.Second}
	now := time.Now()
	here := handName()
	gone := machine() + ".2000000000-5.x"
	for _, c := range []struct {
		after time.Duration
		beats map[string]int64
		dead  []string
	}{
		{0, map[string]int64{"m.1-1.me": 1, "far.7-7.a": 5, "far.8-8.b": 1, here: 1, gone: 9}, []string{gone}},
		{20 * time.Second, map[string]int64{"m.1-1.me": 1, "far.7-7.a": 6, "far.8-8.b": 1, here: 2}, nil},
		{31 * time.Second, map[string]int64{"m.1-1.me": 1, "far.7-7.a": 6, "far.8-8.b": 1, here: 3}, []string{"far.8-8.b"}},
		{49 * time.Second, map[string]int64{"m.1-1.me": 1, "far.7-7.a": 6, "far.8-8.b": 2, here: 4}, nil},
		{51 * time.Second, map[string]int64{"m.1-1.me": 1, "far.7-7.a": 6, "far.8-8.b": 2, here: 5}, []string{"far.7-7.a"}},
	} {
		dead := h.dead(c.beats, now.Add(c.after))
		var names []string
		for name := range dead {
			names = append(names, name)
		}
		if !slices.Equal(names, c.dead) {
			t.Errorf("after %v: got %v, want %v", c.after, names, c.dead)
		}
	}
}

// Whoever works at one inbox leaves the pictures of another to those who can reach them.
func TestInboxesAreApart(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i, inbox := range []string{"bench 1", "bench 2", "bench 1"} {
			j := aJob(i)
			j.Inbox = inbox
			if _, err := s.Enqueue(t.Context(), j); err != nil {
				t.Fatal(err)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		var got []string
		err := s.Work(ctx, "bench 1", 1, measured, func(task Task, _ *reading.Reading, _ error) {
			if got = append(got, task.Inbox); len(got) == 2 {
				cancel()
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		q, err := s.QueueState(t.Context())
		if err != nil || q.Waiting != 1 || len(got) != 2 || got[0] != "bench 1" || got[1] != "bench 1" {
			t.Errorf("got %q, the queue is %+v, %v", got, q, err)
		}
	})
}

// Two machines that take in the same pictures while these are measured make no second shot and no
// second reading of any.
func TestEnqueueWhileItIsMeasured(t *testing.T) {
	eachAddress(t, func(t *testing.T, at string) {
		const n = 40
		s := open(t, at)
		var jobs []Job
		for i := range n {
			jobs = append(jobs, aJob(i))
		}
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		var wg sync.WaitGroup
		var ended, taken atomic.Int32
		wg.Go(func() {
			err := s.Work(ctx, "", 2, measured, func(Task, *reading.Reading, error) {
				if ended.Add(1) == n {
					time.AfterFunc(100*time.Millisecond, cancel) // for one too many
				}
			})
			if err != nil {
				t.Error(err)
			}
		})
		for m := range 3 {
			machine := open(t, at)
			wg.Go(func() {
				for _, j := range jobs {
					for range 2 {
						j.Path = fmt.Sprintf("machine %d", m)
						known, err := machine.Enqueue(ctx, j)
						if err != nil && ctx.Err() == nil {
							t.Error(err)
						}
						if err == nil && !known {
							taken.Add(1)
						}
					}
				}
			})
		}
		wg.Wait()
		if ended.Load() != n || taken.Load() != n {
			t.Errorf("%d of %d jobs were taken in, %d ended", taken.Load(), n, ended.Load())
		}
		for k, err := range s.Kept(t.Context(), Query{}) {
			if err != nil || k.Shot.Readings != 1 {
				t.Errorf("%d readings, %v", k.Shot.Readings, err)
			}
		}
	})
}

// A clock that jumps back leaves no task waiting for it.
func TestDueInTheFuture(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		jobs := []Job{aJob(1), aJob(2), aJob(3)}
		enqueue(t, s, jobs...)
		for i, state := range []string{"available", "scheduled", "retryable"} {
			_, err := s.write.Exec("UPDATE river_job SET state = '"+state+"', scheduled_at = $1 WHERE id = $2", s.riverTime(time.Now().Add(24*time.Hour)), i+1)
			if err != nil {
				t.Fatal(err)
			}
		}
		work(t, s, 3, 1, measured)
		whole(t, s, jobs, 0)
	})
}
