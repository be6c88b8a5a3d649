package script

import "testing"

// What the plan rules out stays out whatever the unit shows; everything else
// is left open.
func TestNever(t *testing.T) {
	v := Values{"storage": StorageValues{Serve: "after the check", Layout: "double parity"}, "site": SiteValues{DNS: []string{"192.0.2.3"}}, "fact": map[string]string{}}
	for source, want := range map[string]bool{
		`storage.serve == "at once"`:                                                         true,
		`storage.serve == "after the check"`:                                                 false,
		`storage.layout != "" && storage.serve == "at once" && fact.service != "on"`:         true,
		`storage.layout != "" && storage.serve == "after the check" && fact.service != "on"`: false,
		`fact.pool == "none"`:                                                                false,
		`"pool" in fact`:                                                                     false,
		`not ("pool" in fact)`:                                                               false,
		`fact.pool == "none" && storage.layout == ""`:                                        true,
		`fact.pool == "none" || storage.layout == ""`:                                        false,
		`storage.layout == "" or len(site.dns) == 0`:                                         true,
		`storage.layout == "" || len(site.dns) > 0`:                                          false,
		`not (storage.layout != "" && fact.pool == "none")`:                                  false,
		`len(site.dns) > 1 && fact.dns != join(site.dns, " ")`:                               true,
	} {
		if got := (&Guard{Source: source}).Never(v); got != want {
			t.Errorf("%s: %v, want %v", source, got, want)
		}
	}
}
