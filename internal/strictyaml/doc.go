// Package strictyaml reads the YAML files that people write into structs and holds them to a
// JSON Schema. Every key must be known, every required one present, every value of the right
// type, unit and range. What is wrong is reported with file, line, column, key path, what was
// expected, what came and the nearest valid key: all of it, not only the first.
//
// It takes a small part of YAML: mappings, lists and scalars. Anchors, aliases, merge keys,
// tags, several documents in a file and lists directly inside lists are refused, because a
// drawing is easier to trust when each value stands where it belongs, and because they are
// what makes small files grow large.
package strictyaml
