package replay

import "linehand/transcript"

// Film is a record as a page plays it: what the screen showed, and when. Texts
// holds every row that was ever shown, the empty one first; a frame is a time in
// milliseconds, and then pairs of a row of the screen and the number of the text
// that it shows from then on. All of it is plain text.
type Film = film

// Moment is something that happened at a time.
type Moment = moment

// Script is the script of a page that plays a Film. It looks for the elements
// that HTML makes, by their ids.
var Script = pageScript

// FilmOf plays the record on a screen.
func FilmOf(rec *transcript.Record) *Film { return filmOf(rec) }
