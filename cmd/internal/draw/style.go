package draw

import _ "embed"

// Style has the colours that drawings and their page share, for a light
// screen, a dark one and paper, and how each class of shapes looks. It comes
// first in a style sheet, and needs Patterns in the same document.
//
//go:embed style.css
var Style string

// Patterns are the hatchings that Style refers to, as part of an SVG.
//
//go:embed patterns.svg
var Patterns string
