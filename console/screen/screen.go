// Package screen resolves what a unit prints into plain text: control
// sequences (ECMA-48), carriage returns, backspaces, tabs, redraws and UTF-8
// split over reads. The unfinished last line, where a prompt stands, is a
// first-class value. Memory is bounded whatever a unit sends.
package screen

// Place is a spot in the text that has scrolled by: the cell where the
// cursor stood when Place was taken. It stays valid while text goes on, also
// after its row has left the memory (the text since it then begins with the
// oldest row that is left).
type Place struct {
	row int64
	col int
}

// Line is a finished line: the cursor has left it by a line feed.
type Line struct {
	Text string // plain, soft-wrapped rows joined, without trailing blanks
	No   int64  // counts finished lines from 0
}

// Query is a terminal status query that the unit printed, and the reply a
// terminal would send.
type Query struct {
	Name  string // "cursor position", "device status", "device attributes"
	Reply []byte
}
