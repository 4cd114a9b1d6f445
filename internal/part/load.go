package part

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"sync"

	"plumbsquare/internal/strictyaml"
)

// SchemaJSON is the JSON Schema of part files.
//
//go:embed schema.json
var SchemaJSON string

var schema = sync.OnceValues(func() (*strictyaml.Schema, error) {
	return strictyaml.ParseSchema([]byte(SchemaJSON))
})

// Load reads a part file. fileName is the name for messages. The error, a *strictyaml.Error,
// holds all that is wrong in the file, each with its line and column.
func Load(data []byte, fileName string) (*Part, error) {
	s, err := schema()
	if err != nil {
		return nil, err
	}
	p := new(Part)
	doc := strictyaml.Decode(fileName, data, s, p)
	check(doc, p)
	if err := doc.Err(); err != nil {
		return nil, err
	}
	if p.Orientation.By == "" {
		p.Orientation.By = "fixture"
	}
	sum := sha256.Sum256(data)
	p.Hash = hex.EncodeToString(sum[:])
	return p, nil
}
