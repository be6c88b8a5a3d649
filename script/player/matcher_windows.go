package player

import "linehand/console"

// newMatcher: the expect engine does not build for this system.
func newMatcher(line console.Line) matcher { return newPlainMatcher(line) }
