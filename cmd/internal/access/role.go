package access

import (
	"fmt"
	"slices"
	"strings"
)

// Role is what a person may do.
type Role string

// The roles. Each of them includes Look: what cannot be seen cannot be
// steered.
const (
	Look    Role = "look"    // see lines, screens, orders, the plan and the fleet
	Play    Role = "play"    // file, allow, move and stop work; label, rest and match lines
	Release Role = "release" // release holds, and take a line's keyboard
	Audit   Role = "audit"   // see records, their audits and replays, and make handover packs
	Keys    Role = "keys"    // see and end sessions; make and end API tokens
)

// all are the roles.
var all = Roles{Look, Play, Release, Audit, Keys}

// Roles are those of a person, in the order of the constants.
type Roles []Role

// AllRoles are the roles of whoever sits at the bench.
func AllRoles() Roles { return slices.Clone(all) }

// ParseRoles reads roles with commas between them. It adds what they include.
func ParseRoles(text string) (Roles, error) {
	var named []Role
	for word := range strings.SplitSeq(text, ",") {
		r := Role(strings.TrimSpace(word))
		if !slices.Contains(all, r) {
			return nil, fmt.Errorf("%q is no role: there are %s", string(r), all)
		}
		named = append(named, r)
	}
	return complete(named), nil
}

// complete sorts roles, drops what is none, and adds what they include.
func complete(named []Role) Roles {
	var out Roles
	for _, r := range all {
		if r == Look && len(named) > 0 || slices.Contains(named, r) {
			out = append(out, r)
		}
	}
	return out
}

// Has tells whether r is among them.
func (rs Roles) Has(r Role) bool { return slices.Contains(rs, r) }

// Within tells whether all of them are among others.
func (rs Roles) Within(others Roles) bool {
	for _, r := range rs {
		if !others.Has(r) {
			return false
		}
	}
	return true
}

// String is the roles with commas between them, as ParseRoles reads them.
func (rs Roles) String() string {
	words := make([]string, len(rs))
	for i, r := range rs {
		words[i] = string(r)
	}
	return strings.Join(words, ",")
}
