package main

import (
	"bytes"
	"io"
	"strings"

	"github.com/rivo/uniseg"
)

// columns lines up text whose cells end in tabs, as text/tabwriter does, but by the width that a
// terminal gives the letters: lots, heads and pictures are named in any script, and a letter may take
// two places or, as a combining mark, none. What stands after a line's last tab is as it is; lines
// without a cell in a column part it into blocks that are lined up on their own.
type columns struct {
	w     io.Writer
	right bool // cells stand at the right of their column
	text  bytes.Buffer
}

const columnGap = 2

func newColumns(w io.Writer) *columns { return &columns{w: w} }

func newRightColumns(w io.Writer) *columns { return &columns{w: w, right: true} }

func (c *columns) Write(p []byte) (int, error) { return c.text.Write(p) }

// Flush writes what has come, lined up.
func (c *columns) Flush() error {
	var lines [][]string
	for line := range strings.Lines(c.text.String()) {
		lines = append(lines, strings.Split(strings.TrimSuffix(line, "\n"), "\t"))
	}
	c.text.Reset()
	widths := make([][]int, len(lines))
	for i, l := range lines {
		for k := range l[:len(l)-1] {
			if i > 0 && k < len(widths[i-1]) {
				widths[i] = append(widths[i], widths[i-1][k]) // of the block that began above
				continue
			}
			widest := 0
			for _, below := range lines[i:] {
				if k >= len(below)-1 {
					break
				}
				widest = max(widest, uniseg.StringWidth(below[k]))
			}
			widths[i] = append(widths[i], widest+columnGap)
		}
	}
	var b strings.Builder
	for i, l := range lines {
		for k, cell := range l {
			if k < len(widths[i]) {
				cell = padded(cell, widths[i][k], c.right)
			}
			b.WriteString(cell)
		}
		b.WriteByte('\n')
	}
	_, err := io.WriteString(c.w, b.String())
	return err
}

// padded fills a cell with blanks to a width on the terminal.
func padded(cell string, width int, right bool) string {
	blanks := strings.Repeat(" ", max(0, width-uniseg.StringWidth(cell)))
	if right {
		return blanks + cell
	}
	return cell + blanks
}

// shortened cuts the front of a text off so that it takes no more than a width on the terminal.
func shortened(text string, width int) string {
	n := uniseg.StringWidth(text)
	if n <= width {
		return text
	}
	rest := text
	for n > width-1 && rest != "" { // the sign for what is left out takes one
		_, after, w, _ := uniseg.FirstGraphemeClusterInString(rest, -1)
		rest, n = after, n-w
	}
	return "…" + rest
}
