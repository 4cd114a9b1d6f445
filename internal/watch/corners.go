package watch

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
)

// cornerRest is how long after a corner shot the next of its sample may come, where neither the
// traveler nor their number says that all are there.
const cornerRest = 30 * time.Second

// gather puts together the corner shots of each sample that lie in one folder, and returns when to
// look again.
func (k *keeper) gather(ctx context.Context) (next time.Time) {
	next = time.Now().Add(never)
	folders := map[string][]intake.Job{}
	for path, f := range k.cornered {
		if f.state == gathering {
			folders[filepath.Dir(path)] = nil
		}
	}
	if len(folders) == 0 {
		return next
	}
	if k.desk == nil { // a picture that settles has it made anew
		return time.Now().Add(tryAgain)
	}
	for _, path := range slices.Sorted(maps.Keys(k.cornered)) {
		dir := filepath.Dir(path)
		if _, ok := folders[dir]; ok {
			folders[dir] = append(folders[dir], *k.cornered[path].corner)
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(folders)) {
		_, samples := batch.Corners(folders[dir])
		for _, s := range samples {
			if t := k.sample(ctx, s); t.Before(next) {
				next = t
			}
		}
	}
	return next
}

// gatherAgain looks anew at the corner shots of a folder that wait for others.
func (k *keeper) gatherAgain(dir string) {
	for path, f := range k.cornered {
		if f.state == needsInfo && filepath.Dir(path) == dir {
			f.state = gathering
		}
	}
}

// sample takes the corner shots of one sample into the queue, or has them wait; it returns when to
// look again.
func (k *keeper) sample(ctx context.Context, jobs []intake.Job) time.Time {
	now := time.Now()
	waiting := false
	for _, j := range jobs {
		switch f := k.cornered[j.Path]; {
		case f.state == settling, f.state == settled, f.state == queued:
			return now.Add(never) // what becomes of it wakes us
		case f.state == gathering && f.next.After(now):
			return f.next
		case f.state == gathering:
			waiting = true
		}
	}
	if !waiting {
		return now.Add(never)
	}
	open, measured := k.measuredAlready(jobs)
	for _, m := range measured {
		if slices.ContainsFunc(m, func(j intake.Job) bool { return k.cornered[j.Path].state == gathering }) { // since another start
			k.together(ctx, m)
		}
	}
	if len(open) == 0 {
		return now.Add(never)
	}
	if len(measured) > 0 {
		k.await(open, fmt.Sprintf("its sample has been measured already, from %s; to measure it once more, put the new pictures into a folder of their own", k.list(measured[0])))
		return now.Add(never)
	}
	open = k.once(open)
	why, due := k.incomplete(open)
	if now.Before(due) {
		return due
	}
	if why == "" {
		why = k.together(ctx, open)
	}
	if why != "" {
		k.await(open, why)
	}
	return now.Add(never)
}

// measuredAlready parts the corner shots of one sample that were measured together, and all are
// there still, from the others. What was a retake is open: one of its pictures is taken anew, and the
// others count again.
func (k *keeper) measuredAlready(jobs []intake.Job) (open []intake.Job, measured [][]intake.Job) {
	here := map[string]intake.Job{}
	for _, j := range jobs {
		here[k.results.rel(j.Path)] = j
	}
	done := map[string]bool{}
	for _, j := range jobs {
		a := k.results.of(j.Path)
		if a == nil || done[j.Path] || a.Verdict.Decision == reading.Retake {
			continue
		}
		var set []intake.Job
		var sums []string
		for _, name := range a.Corners {
			if c, ok := here[name]; ok {
				set, sums = append(set, c), append(sums, k.cornered[c.Path].sum)
			}
		}
		if len(set) < 2 || measure.JointSHA256(sums) != a.Source.SHA256 {
			continue // one of them has been replaced or taken away
		}
		measured = append(measured, set)
		for _, c := range set {
			done[c.Path] = true
		}
	}
	open = slices.DeleteFunc(slices.Clone(jobs), func(j intake.Job) bool { return done[j.Path] })
	return open, measured
}

// once leaves pictures of the same content out but for the first, and has them wait.
func (k *keeper) once(jobs []intake.Job) (different []intake.Job) {
	first := map[string]intake.Job{}
	for _, j := range jobs {
		sum := k.cornered[j.Path].sum
		if twin, ok := first[sum]; ok {
			k.await([]intake.Job{j}, fmt.Sprintf("it is the very same picture as %s, and counts once", k.list([]intake.Job{twin})))
			continue
		}
		first[sum] = j
		different = append(different, j)
	}
	return different
}

// incomplete says why the corner shots of a sample aren't all there, and until when others may come
// before that is known.
func (k *keeper) incomplete(jobs []intake.Job) (why string, due time.Time) {
	here := map[string]bool{}
	for _, j := range jobs {
		here[j.Path] = true
		if at := k.cornered[j.Path].since.Add(cornerRest); at.After(due) {
			due = at
		}
	}
	named := map[string]bool{}
	var missing []string
	for _, j := range jobs {
		for _, p := range k.desk.Corners(j.Path) {
			if !named[p] && !here[p] {
				missing = append(missing, intake.Printable(k.results.rel(p)))
			}
			named[p] = true
		}
	}
	if k.o.Once { // nothing else comes, once all has settled
		due = time.Time{}
		if len(k.active) > 0 {
			due = time.Now().Add(never)
		}
	}
	switch n := len(jobs); {
	case n > measure.MostCorners:
		return fmt.Sprintf("there are %d of its sample, and at most %d are measured together; give each sample its own name", n, measure.MostCorners), due
	case len(missing) > 0:
		return fmt.Sprintf("it waits for %s, a corner of the same sample that %s names", strings.Join(missing, ", "), intake.TravelerName), due
	case n == 1:
		return "it is the only one of its sample, and two to four are measured together; it waits for the others", due
	case n == measure.MostCorners, len(named) == n:
		return "", time.Time{}
	}
	return "", due
}

// together takes the corner shots of one sample into the queue; what it returns is why not.
func (k *keeper) together(ctx context.Context, jobs []intake.Job) (why string) {
	var files []*file
	var check []measure.Job
	for _, j := range jobs {
		files = append(files, k.cornered[j.Path])
		check = append(check, measure.Job{Picture: filepath.Base(j.Path), Part: j.Part, Scope: j.Scope, Shot: j.Shot})
	}
	if err := measure.CheckCorners(check); err != nil {
		return err.Error()
	}
	of := jobs[0].Shot
	of.Stage = nil
	k.enqueue(ctx, k.shotOf(files, of, jobs[0]))
	k.touch()
	return ""
}

// await has corner shots wait for others.
func (k *keeper) await(jobs []intake.Job, why string) {
	var names []string
	var errs []error
	for _, j := range jobs {
		f := k.cornered[j.Path]
		if err := k.results.needsCorners(f.path, why); err != nil {
			errs = append(errs, err)
			f.next = time.Now().Add(tryAgain)
			continue
		}
		if f.why != why {
			names = append(names, k.results.rel(f.path))
		}
		f.state, f.why = needsInfo, why
	}
	if err := errors.Join(errs...); err != nil {
		k.trouble("results", cantWrite(err))
	}
	if len(names) > 0 {
		k.say(Line{Word: "waits", Path: strings.Join(names, " + "), Text: why + " (see needs-info)"})
	}
	k.touch()
}

// list names pictures for people.
func (k *keeper) list(jobs []intake.Job) string {
	var names []string
	for _, j := range jobs {
		names = append(names, intake.Printable(k.results.rel(j.Path)))
	}
	return strings.Join(names, ", ")
}
