package intake

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unicode/utf8"
)

// mostNameBytes leaves room for suffixes in the 255 bytes that file systems give a name.
const mostNameBytes = 180

// Own returns the file that belongs to a picture of an inbox in one of the program's folders: at
// the same place below that, under the same name with a suffix. A name that is too long for that
// is cut, and told from its like by the hash of the whole.
func Own(inbox, folder, picture, suffix string) string {
	rel, err := filepath.Rel(inbox, picture)
	if err != nil || !filepath.IsLocal(rel) {
		rel = filepath.Base(picture)
	}
	dir, name := filepath.Split(rel)
	if len(name) > mostNameBytes {
		sum := sha256.Sum256([]byte(name))
		cut := mostNameBytes - 9
		for cut > 0 && !utf8.RuneStart(name[cut]) {
			cut--
		}
		name = name[:cut] + "~" + hex.EncodeToString(sum[:4])
	}
	return filepath.Join(inbox, folder, dir, name+suffix)
}

// Printable returns a file's name fit for one line of text: what would break the line or steer a
// terminal is written as its code, as in a\nb.
func Printable(name string) string {
	quoted := strconv.Quote(name)
	return strings.NewReplacer(`\"`, `"`, `\\`, `\`).Replace(quoted[1 : len(quoted)-1])
}

// MakeFolder makes the folder that a file is to lie in.
func MakeFolder(name string) error { return os.MkdirAll(filepath.Dir(name), 0o777) }

// WriteWhole writes a file beside its name and gives it that when it is complete, so that nobody ever
// reads half of it. Folders are made as needed. It doesn't wait for the disk: what is laid into an
// inbox can be made again, and after a power cut may have to be.
func WriteWhole(name string, data []byte) error {
	if err := MakeFolder(name); err != nil {
		return err
	}
	dir, base := filepath.Split(name)
	f, err := os.CreateTemp(dir, "."+base+".*.partial")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}
