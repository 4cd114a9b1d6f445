package watch

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

func shown(name string) string { return intake.Printable(name) }

var decisions = [...]reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake}

// results are the files that an inbox's pictures get.
type results struct{ inbox string }

func (r results) json(picture string) string {
	return intake.Own(r.inbox, intake.ResultsFolder, picture, ".json")
}

func (r results) overlay(picture string) string {
	return intake.Own(r.inbox, intake.ResultsFolder, picture, intake.OverlaySuffix)
}

// text carries the verdict in its name, so that a look at the folder is enough.
func (r results) text(picture string, d reading.Decision) string {
	return intake.Own(r.inbox, intake.ResultsFolder, picture, "."+string(d)+".txt")
}

func (r results) note(folder, picture string) string {
	return intake.Own(r.inbox, folder, picture, ".txt")
}

// of returns what was answered to a picture; nil when nothing was, or nothing that can be read.
func (r results) of(picture string) *Answer {
	b, err := os.ReadFile(r.json(picture))
	if err != nil {
		return nil
	}
	a := new(Answer)
	if json.Unmarshal(b, a) != nil || a.Schema != AnswerSchema {
		return nil
	}
	// A power cut may have left an empty file.
	if info, err := os.Stat(r.text(picture, a.Verdict.Decision)); err != nil || info.Size() == 0 {
		return nil
	}
	return a
}

// answers reports whether a picture of this content has its answer from the shot of this SHA-256.
func (r results) answers(picture, sum, shot string) bool {
	a := r.of(picture)
	return a != nil && a.Picture.SHA256 == sum && a.Source.SHA256 == shot
}

// write lays the answer to a picture into results/ and takes its notes away. The JSON comes last: it
// says that the rest is there.
func (r results) write(picture string, a *Answer) error {
	data, err := json.MarshalIndent(a, "", "  ")
	if err != nil {
		return err
	}
	if err := intake.WriteWhole(r.text(picture, a.Verdict.Decision), []byte(a.Text())); err != nil {
		return err
	}
	for _, d := range decisions {
		if d != a.Verdict.Decision {
			if err := remove(r.text(picture, d)); err != nil {
				return err
			}
		}
	}
	if err := intake.WriteWhole(r.json(picture), append(data, '\n')); err != nil {
		return err
	}
	return r.clearNotes(picture)
}

// makeRoom keeps the answer to a picture of other content that had the same name: its files get the
// beginning of its hash into their names.
func (r results) makeRoom(picture, sha256 string) error {
	before := r.of(picture)
	if before == nil || before.Picture.SHA256 == sha256 || len(before.Picture.SHA256) < 8 {
		return nil
	}
	earlier := picture + "~" + before.Picture.SHA256[:8]
	var errs []error
	move := func(from, to string) {
		if err := os.Rename(from, to); !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	move(r.overlay(picture), r.overlay(earlier))
	move(r.text(picture, before.Verdict.Decision), r.text(earlier, before.Verdict.Decision))
	move(r.json(picture), r.json(earlier))
	return errors.Join(errs...)
}

// copyOverlay gives a picture the overlay of another of the same content; it may have none.
func (r results) copyOverlay(from, to string) error {
	data, err := os.ReadFile(r.overlay(from))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return intake.WriteWhole(r.overlay(to), data)
}

// needsInfo notes what a waiting picture lacks.
func (r results) needsInfo(picture string, lack *intake.Lack) error {
	var b strings.Builder
	name := filepath.Base(picture)
	fmt.Fprintf(&b, "WAITS   %s\n\n", shown(r.rel(picture)))
	if len(lack.Missing) > 0 {
		fmt.Fprintf(&b, "Not known of this picture: %s.\n", strings.Join(lack.Missing, ", "))
	} else {
		fmt.Fprintf(&b, "What is said of this picture can't be used as it is.\n")
	}
	for _, err := range lack.Wrong {
		fmt.Fprintf(&b, "  - %s\n", err)
	}
	if len(lack.Missing) > 0 {
		columns := append([]string{"image"}, lack.Missing...)
		fmt.Fprintf(&b, "\nEither give the picture a row in %s, in the folder it lies in:\n\n    %s\n    %s%s\n",
			intake.TravelerName, strings.Join(columns, ","), csvCell(name), strings.Repeat(",…", len(lack.Missing)))
		fmt.Fprintf(&b, "\nor put a file named %s beside it:\n\n", shown(name+intake.SidecarSuffix))
		for _, m := range lack.Missing {
			fmt.Fprintf(&b, "    %s: …\n", m)
		}
	} else {
		fmt.Fprintf(&b, "\nCorrect it where the line above says.\n")
	}
	fmt.Fprintf(&b, "\nThe picture stays where it is and is measured by itself as soon as this is known.\n")
	return r.noteOnce(intake.NeedsInfoFolder, picture, b.String())
}

// needsCorners notes what a corner shot waits for.
func (r results) needsCorners(picture, why string) error {
	text := fmt.Sprintf("WAITS   %s\n\nThis picture shows a corner of a die (stage_x_mm, stage_y_mm): %s.\n\nIt stays where it is and is measured by itself, together with the others of its sample, as soon as\nthey can be.\n",
		shown(r.rel(picture)), why)
	return r.noteOnce(intake.NeedsInfoFolder, picture, text)
}

func csvCell(name string) string {
	if strings.ContainsAny(name, ",;\"\t") {
		return `"` + strings.ReplaceAll(name, `"`, `""`) + `"`
	}
	return name
}

// setAside notes why a picture can't be measured.
func (r results) setAside(picture, why string) error {
	text := fmt.Sprintf("SET ASIDE   %s\n\nThis file can't be measured: %s.\n\nIt stays where it is. Save the picture anew, under the same name or another, and it is taken up by\nitself. To have the very same file tried once more, delete this note.\n",
		shown(r.rel(picture)), why)
	return r.noteOnce(intake.SetAsideFolder, picture, text)
}

// noteOnce writes a note unless it is there word for word, and takes the picture's other notes away.
func (r results) noteOnce(folder, picture, text string) error {
	name := r.note(folder, picture)
	if b, err := os.ReadFile(name); err == nil && string(b) == text {
		return nil
	}
	if err := r.clearNotes(picture); err != nil {
		return err
	}
	return intake.WriteWhole(name, []byte(text))
}

func (r results) clearNotes(picture string) error {
	return errors.Join(remove(r.note(intake.NeedsInfoFolder, picture)), remove(r.note(intake.SetAsideFolder, picture)))
}

func (r results) rel(picture string) string {
	rel, err := filepath.Rel(r.inbox, picture)
	if err != nil {
		return picture
	}
	return filepath.ToSlash(rel)
}

func remove(name string) error {
	err := os.Remove(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// sweep takes away what a kill left half written, unless another machine may be at it.
func (r results) sweep(now time.Time) {
	const old = time.Hour
	for _, folder := range []string{intake.ResultsFolder, intake.NeedsInfoFolder, intake.SetAsideFolder, intake.KeptFolder} {
		filepath.WalkDir(filepath.Join(r.inbox, folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasPrefix(d.Name(), ".") || !strings.HasSuffix(d.Name(), ".partial") {
				return nil
			}
			if info, err := d.Info(); err == nil && now.Sub(info.ModTime()) > old {
				os.Remove(path)
			}
			return nil
		})
	}
}
