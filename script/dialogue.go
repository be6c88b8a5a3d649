// Package script holds the dialogue file: how one kind of unit is spoken to,
// as stages of prompts and answers. Parse reads it strictly, with the place
// of every fault; Lint finds what is wrong without a unit.
//
// FORMAT.md beside this file is the language's reference. Packages below
// this one hold the site profile (script/site), the plan (script/plan), the
// pure engine (script/engine) and the player that drives it over a line
// (script/player).
package script

import (
	"regexp"
	"time"

	"linehand/console"
)

// Dialogue is one dialogue file.
type Dialogue struct {
	File   string // path it was read from
	SHA256 string // lower-case hex digest of the file's bytes
	Name   string // such as "brackwater-s24"
	Title  string

	Line   LineSpec
	Wake   *Wake // how a silent unit is woken, nil: wait for it to speak
	Redraw *Key  // typed at a half-way unit to make it print its prompt again without accepting anything; nil: there is none

	Facts         []Fact
	IdentityNone  bool // the unit prints no serial number anywhere; a person confirms the chassis
	Chatter       []*regexp.Regexp
	StopOn        []StopOn
	AnswerQueries bool // answer terminal status queries as a terminal would
	Stages        []Stage

	// What a person does by hand around the dialogue. BeforeSaid and
	// AfterSaid tell an empty list from none: none stands for the general
	// set.
	Before, After         []Step
	BeforeSaid, AfterSaid bool
	Serves                *Serves // nil: nothing is looked for before the set-up
}

// LineSpec is what the dialogue asks of the line.
type LineSpec struct {
	Settings console.Settings
	Enter    Key           // what ends an answer: CR, LF or CR LF
	Settle   time.Duration // how long the line must be quiet before a prompt counts; 0: what the line needs
	Pace     time.Duration // least pause between characters; 0: as fast as the line goes
	Erase    Key           // takes back one typed character (sent as often as needed) or, when EraseAll, the whole answer
	EraseAll bool
	Columns  int // width of the screen the unit thinks it has; 80 unless said
}

// Wake is how a silent unit is made to speak at the start of a run.
type Wake struct {
	Press  Key           // zero Key: press nothing, only wait
	Every  time.Duration // between presses
	Within time.Duration // how long the unit may stay silent
}

// Key is what one key press sends, with its name for people: "Enter",
// "Ctrl-C", "Space", "Esc".
type Key struct {
	Name  string
	Bytes string
}

// Pos is a place in a file, for people: line and column from 1.
type Pos struct {
	File         string
	Line, Column int
}

// Fact is a value that is read out of what the unit prints: the first group
// of Pattern, searched in each finished line and in the prompt.
type Fact struct {
	Name    string // "serial" is the identity of the chassis
	Pattern *regexp.Regexp
	Pos     Pos
}

// StopOn is text that ends the run wherever it comes: the unit says that it
// has failed.
type StopOn struct {
	Text    Pattern
	Because string
	Pos     Pos
}

// Pattern is plain text or a regular expression, as the file marked it.
// Blanks at the end of a plain text do not count.
type Pattern struct {
	Text   string         // as written
	Regexp bool           // marked as a regular expression
	At     *regexp.Regexp // matches at the end of a text (a prompt)
	In     *regexp.Regexp // matches anywhere in a text (a refusal)
	Pos    Pos
}

// Stage is a named part of a dialogue with a time limit.
type Stage struct {
	Name      string // may hold ${…}: Title is the name for people
	Within    time.Duration
	Needed    *Guard // false: the stage is left out
	Each      *Each
	Looks     bool // nothing in this stage changes the unit
	Exchanges []Exchange
	RefusedBy []Pattern // the unit's words when it will not have an answer
	IfRefused string    // the stage to go on with after a refusal; "": the run ends as refused
	Until     []Pattern // what shows when the stage is over; empty: when its last exchange is answered
	Finish    bool      // the dialogue ends after this stage, also when others stand below it
	Pos       Pos

	title *Answer // Name, compiled
}

// Each repeats a stage over a list.
type Each struct {
	Var string // the name that guards and answers use for the element
	Of  *Expr  // yields the list
}

// EchoMode is what a unit shows of what is typed.
type EchoMode string

// The echo modes.
const (
	EchoTyped  EchoMode = "typed"  // as typed; a difference is erased and typed again
	EchoHidden EchoMode = "hidden" // nothing, or one and the same mask character for each
	EchoNone   EchoMode = "none"   // nothing is looked for
)

// Exchange is one prompt and its answer.
type Exchange struct {
	Prompts   []Pattern // any of these wordings
	When      *Guard    // false: the prompt is known, but must not be answered (a hold)
	Needed    *Guard    // false: the exchange is left out, as if it were not in the file
	Answer    *Answer   // what is typed; nil with Press
	Press     *Key      // one key, no echo, no Enter; nil with Answer
	Enter     *Key      // what ends the answer here; nil: the line's; empty Bytes: nothing
	Echo      EchoMode
	Times     int           // how often it may be answered in one run; 1 unless said
	AtOnce    bool          // answer while text still moves
	Sometimes bool          // a unit may leave it out
	Settle    time.Duration // 0: the line's
	Reads     []ReadBack
	RefusedBy []Pattern
	Pos       Pos
}

// ReadBack compares what the unit prints after the answer with the plan.
type ReadBack struct {
	What    string         // name for people, such as "gateway of e0"
	As      ValueKind      // how the two are compared
	Pattern *regexp.Regexp // first group is the value
	Equals  *Answer        // the planned value; nil: keep as a fact only
	Keep    string         // fact to keep the value as; ""
	Within  time.Duration  // AsTime: how far the unit's clock may be off
	Open    *Pattern       // a value that it stands in is not finished yet; nil: every value is
	Pos     Pos

	title *Answer // What, compiled
}

// ValueKind is how two values are compared.
type ValueKind string

// The kinds of value that a read-back compares.
const (
	AsText    ValueKind = "text"    // exactly, blanks at the ends aside
	AsName    ValueKind = "name"    // without regard to case (RFC 1035 2.3.1)
	AsAddress ValueKind = "address" // RFC 4291 and dotted forms, by value
	AsMask    ValueKind = "mask"    // dotted mask or prefix length, by value
	AsNumber  ValueKind = "number"
	AsSize    ValueKind = "size"  // bytes, decimal or binary prefixes (IEC 80000-13)
	AsTime    ValueKind = "time"  // a date with its time, against the clock when it was heard
	AsNames   ValueKind = "names" // a set of names: order, capitals and repeats do not count
)
