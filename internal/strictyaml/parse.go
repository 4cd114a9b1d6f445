package strictyaml

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// MaxBytes is the size above which a file is refused unread. The longest part file we know
// how to write, 2892 sites listed one by one, is a third of it.
const MaxBytes = 64 << 10

// parse returns the mapping that a file consists of, or a problem. The parser takes memory and
// time without bound on deep nesting and on chains of anchors and tags; the tokens, which cost
// linear time, are searched for those first.
func parse(data []byte) (*ast.MappingNode, *Problem) {
	if p := readable(data); p != nil {
		return nil, p
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	tokens := lexer.Tokenize(string(data))
	if p := tame(tokens); p != nil {
		return nil, p
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, syntaxProblem(err)
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			return nil, problemAt(doc.Body.GetToken(), "a second document starts here; put it into a file of its own")
		}
		body = doc.Body
	}
	switch body := body.(type) {
	case nil:
		return nil, &Problem{Line: 1, Column: 1, Text: "the file is empty"}
	case *ast.MappingNode:
		return body, nil
	}
	return nil, problemAt(body.GetToken(), "want lines of the form \"key: value\", got %s", describe(body))
}

// readable refuses what is no text of a sane size.
func readable(data []byte) *Problem {
	if len(data) > MaxBytes {
		return &Problem{Line: 1, Column: 1, Text: fmt.Sprintf("the file has %d bytes; files of this kind have at most %d", len(data), MaxBytes)}
	}
	line, column := 1, 1
	for rest := data; len(rest) > 0; {
		r, n := utf8.DecodeRune(rest)
		if r == utf8.RuneError && n == 1 {
			return &Problem{Line: line, Column: column, Text: "not UTF-8 text; save the file as UTF-8"}
		}
		if r < ' ' && r != '\n' && r != '\r' && r != '\t' {
			return &Problem{Line: line, Column: column, Text: fmt.Sprintf("control character %#02x; this is no text file", r)}
		}
		column++
		if r == '\n' {
			line, column = line+1, 1
		}
		rest = rest[n:]
	}
	return nil
}

// tame refuses the parts of YAML that these files don't use.
func tame(tokens token.Tokens) *Problem {
	const maxDepth = 8 // of brackets; no schema needs more than three
	depth, content := 0, false
	for i, tk := range tokens {
		switch tk.Type {
		case token.CommentType:
			continue
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			return problemAt(tk, "anchors, aliases and merge keys (& * <<) are not used in these files; write the value out, or put text with such a character in quotes")
		case token.TagType:
			return problemAt(tk, "tags (!) are not used in these files; put text that starts with ! in quotes")
		case token.MappingKeyType:
			return problemAt(tk, "want \"key: value\", got a key marked with ?")
		case token.DirectiveType:
			return problemAt(tk, "directives (%%) are not used in these files; delete the line")
		case token.DocumentHeaderType:
			if content {
				return problemAt(tk, "a second document starts here; put it into a file of its own")
			}
		case token.MappingStartType, token.SequenceStartType:
			if depth++; depth > maxDepth {
				return problemAt(tk, "brackets are nested %d deep; is one left open?", depth)
			}
		case token.MappingEndType, token.SequenceEndType:
			depth--
		case token.SequenceEntryType:
			if i > 0 && tokens[i-1].Type == token.SequenceEntryType && tokens[i-1].Position.Line == tk.Position.Line {
				return problemAt(tk, "a list directly inside a list is not used in these files")
			}
		}
		content = true
	}
	return nil
}

func syntaxProblem(err error) *Problem {
	if e, ok := errors.AsType[yaml.Error](err); ok && e.GetToken() != nil {
		text := "no YAML: " + e.GetMessage()
		if strings.Contains(text, "value is not allowed") {
			text += `; text with : # { } [ ] in it needs quotes`
		}
		return problemAt(e.GetToken(), "%s", text)
	}
	return &Problem{Line: 1, Column: 1, Text: "no YAML: " + err.Error()}
}

func problemAt(tk *token.Token, format string, args ...any) *Problem {
	p := placeOf(tk)
	return &Problem{Line: p.line, Column: p.column, Text: fmt.Sprintf(format, args...)}
}

func placeOf(tk *token.Token) place {
	if tk == nil || tk.Position == nil {
		return place{1, 1}
	}
	return place{tk.Position.Line, tk.Position.Column}
}

// start returns where a node begins: a mapping at its first key, not at its colon.
func start(n ast.Node) place {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return placeOf(n.Values[0].Key.GetToken())
		}
		return placeOf(n.Start)
	case *ast.MappingValueNode:
		return placeOf(n.Key.GetToken())
	case *ast.LiteralNode:
		return placeOf(n.Start)
	}
	return placeOf(n.GetToken())
}

// describe says what came instead of what was wanted.
func describe(n ast.Node) string {
	switch n := n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a group of keys"
	case *ast.SequenceNode:
		if len(n.Values) == 1 {
			return "a list of 1 value"
		}
		return fmt.Sprintf("a list of %d values", len(n.Values))
	case *ast.StringNode:
		return fmt.Sprintf("%q", clip(n.Value))
	case *ast.LiteralNode:
		return "text over several lines"
	}
	return clip(n.GetToken().Value)
}

// clip shortens s for a message.
func clip(s string) string {
	const most = 40
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "…"
}
