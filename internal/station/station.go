// Package station holds station files: what one bench has in common for all its pictures.
package station

import (
	_ "embed"
	"path/filepath"
	"strings"
	"sync"

	"plumbsquare/internal/strictyaml"
)

// A Station is one bench as its station file states it. All but the name may be empty.
type Station struct {
	Name   string `yaml:"station"`
	Parts  string `yaml:"parts"`  // folder of part files
	Scopes string `yaml:"scopes"` // folder of scope files

	// What holds for pictures that don't say themselves.
	Part  string `yaml:"part"`  // a name in Parts, or a path
	Scope string `yaml:"scope"` // a name in Scopes, or a path
	View  string `yaml:"view"`  // one of reading.Views

	// Store is where readings are kept: a file, or the postgres:// address of a database.
	Store string `yaml:"store"`

	// Pattern tells particulars from the names of pictures, as "{lot}_{sample}_{view}".
	Pattern string `yaml:"pattern"`
}

// SchemaJSON is the JSON Schema of station files.
//
//go:embed schema.json
var SchemaJSON string

var schema = sync.OnceValues(func() (*strictyaml.Schema, error) {
	return strictyaml.ParseSchema([]byte(SchemaJSON))
})

// Load reads a station file. fileName is the name for messages; folders and paths in the file
// count from the folder it lies in, and are returned joined to that. The error, a
// *strictyaml.Error, holds all that is wrong in the file, each with its line and column.
func Load(data []byte, fileName string) (*Station, error) {
	sch, err := schema()
	if err != nil {
		return nil, err
	}
	s := new(Station)
	if err := strictyaml.Decode(fileName, data, sch, s).Err(); err != nil {
		return nil, err
	}
	folder := filepath.Dir(fileName)
	paths := []*string{&s.Parts, &s.Scopes}
	if !strings.Contains(s.Store, "://") {
		paths = append(paths, &s.Store)
	}
	for _, path := range paths {
		*path = under(folder, *path)
	}
	for _, ref := range []*string{&s.Part, &s.Scope} {
		if filepath.Base(filepath.FromSlash(*ref)) != *ref || filepath.Ext(*ref) == ".yaml" || filepath.Ext(*ref) == ".yml" {
			*ref = under(folder, *ref)
		}
	}
	return s, nil
}

// under returns a path from the folder; an empty one stays empty.
func under(folder, path string) string {
	path = filepath.FromSlash(path)
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(folder, path)
}
