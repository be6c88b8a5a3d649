// Package plan makes the plan out of a site profile: each unit's exact
// values, checked. It is the only way to get values that a run may type.
package plan

import "linehand/script"

// Plan is a checked site.
type Plan struct {
	Site  script.SiteValues
	Units []*Unit
}

// Unit is everything that one run needs to know of its unit.
type Unit struct {
	Name     string
	Kind     string
	Serial   string // as planned; "" when the profile leaves it open
	Dialogue string // path of the dialogue file
	Values   script.Values
	Planned  map[string]string     // value path -> planned value, no secrets
	Sources  map[string]script.Pos // value path -> where the profile says so
	Secrets  []string              // names of the secrets that its values refer to
	SHA256   string                // digest of Planned in canonical form
}
