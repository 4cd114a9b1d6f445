package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Folders of an inbox that the program makes and nobody else writes to.
const (
	ResultsFolder   = "results"    // a verdict and an overlay a picture
	NeedsInfoFolder = "needs-info" // a note on each picture that waits for its particulars
	SetAsideFolder  = "set-aside"  // a note on each file that can't be measured
	KeptFolder      = ".inspect"   // what the program keeps for itself
)

// A Kind is what a file of an inbox is taken for, by its name and place.
type Kind int

// The kinds.
const (
	Nothing    Kind = iota // not there, hidden, or the program's own
	Picture                // a file named as a picture
	Particular             // a traveler, or a YAML file: sidecar, part or scope
	Folder                 // a folder that may hold pictures
	Other                  // left alone; Found.Note says why
)

// A Found is a file or folder of an inbox.
type Found struct {
	Path string // with the inbox's
	Kind
	Stamp
	Note string // of Other
}

// Look returns what a path of an inbox is by now. The error is of a file that is there and can't
// be looked at.
func Look(inbox, path string) (Found, error) {
	none := Found{Path: path}
	if ours(inbox, path) {
		return none, nil
	}
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return none, nil
	}
	if err != nil {
		return none, err
	}
	return look(path, info), nil
}

func look(path string, info fs.FileInfo) Found {
	f := Found{Path: path, Stamp: stampOf(info)}
	other := func(note string) Found {
		f.Kind, f.Note = Other, note
		return f
	}
	if info.Mode()&fs.ModeSymlink != 0 {
		target, err := os.Stat(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return other("a link that leads nowhere")
		case err != nil:
			return other("a link that can't be followed: " + reason(err))
		case target.IsDir():
			return other("a link to a folder; links to folders are not followed")
		}
		info = target
		f.Stamp = stampOf(target)
	}
	switch {
	case info.IsDir():
		f.Kind = Folder
	case !info.Mode().IsRegular():
		return other("not a file")
	case filepath.Base(path) == TravelerName || isYAML(path):
		f.Kind = Particular
	case isPicture(path):
		f.Kind = Picture
	case strings.HasSuffix(path, OverlaySuffix):
		f.Kind = Nothing
	default:
		return other("not named as a picture is: " + strings.Join(extensions[:], ", "))
	}
	return f
}

// ours reports whether a path is hidden or one of the program's own.
func ours(inbox, path string) bool {
	rel, err := filepath.Rel(inbox, path)
	if err != nil || rel == "." {
		return false
	}
	first, _, _ := strings.Cut(rel, string(filepath.Separator))
	switch first {
	case ResultsFolder, NeedsInfoFolder, SetAsideFolder:
		return true
	}
	for name := range strings.SplitSeq(rel, string(filepath.Separator)) {
		if strings.HasPrefix(name, ".") {
			return true
		}
	}
	return false
}

func isYAML(path string) bool {
	ext := strings.ToLower(filepath.Ext(path))
	return ext == ".yaml" || ext == ".yml"
}

// reason returns what went wrong without the path, which the caller names.
func reason(err error) string {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err.Error()
	}
	return err.Error()
}

// Walk gives everything in an inbox that isn't hidden or the program's own to each, folders before
// what they hold. What can't be looked at is an Other. An error means that the inbox itself can't
// be read, or that ctx ended.
func Walk(ctx context.Context, inbox string, each func(Found)) error {
	return filepath.WalkDir(inbox, func(path string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case path == inbox:
			return err
		case ours(inbox, path):
			if d != nil && d.IsDir() {
				return fs.SkipDir
			}
			return nil
		case errors.Is(err, fs.ErrNotExist):
			return nil // gone between listing and looking
		case err != nil: // a folder that can't be listed
			each(Found{Path: path, Kind: Other, Note: fmt.Sprintf("the folder can't be read: %s", reason(err))})
			return nil
		}
		info, err := d.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			each(Found{Path: path, Kind: Other, Note: reason(err)})
			return nil
		}
		each(look(path, info))
		return nil
	})
}
