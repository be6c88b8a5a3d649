package desk

import (
	"fmt"
	"io"
	"strings"
)

func wrapped(w io.Writer, lead, text string) {
	const width = 78
	indent := strings.Repeat(" ", len(strings.TrimLeft(lead, "\n")))
	line := lead
	at := len(indent)
	for i, word := range strings.Fields(text) {
		if i > 0 && at+1+len(word) > width {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			line, at = indent, len(indent)
		} else if i > 0 {
			line += " "
			at++
		}
		line += word
		at += len(word)
	}
	fmt.Fprintln(w, line)
}
