package plan

import (
	"slices"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/site"
)

// The digest's form is "path=value" lines sorted by path, SHA-256 (FIPS
// 180-4); the expected value was made with coreutils' sha256sum.
func TestDigest(t *testing.T) {
	got := digest(map[string]string{"unit.name": "deep-1", "cluster.mode": "none", "ports.e0.address": "192.0.2.21"})
	const want = "af155b82f20eb6eb77cc17d20f1ca7ccbca1d03eb0c310ff9c2b71c8fb87f471"
	if got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestDigestFollowsTheUnitOnly(t *testing.T) {
	digestOf := func(changes ...string) string {
		text := cleanProfile(t)
		for i := 0; i < len(changes); i += 2 {
			text = strings.Replace(text, changes[i], changes[i+1], 1)
		}
		s, err := site.Parse("site.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		p, problems := Make(s)
		if p == nil {
			t.Fatal(problems)
		}
		return p.Units[0].SHA256
	}
	first := digestOf()
	if digestOf() != first {
		t.Error("the same profile has two digests")
	}
	if digestOf("192.0.2.22}", "192.0.2.23}") != first {
		t.Error("another unit's address changes the digest")
	}
	if digestOf("192.0.2.21}", "192.0.2.24}") == first {
		t.Error("its own address does not change the digest")
	}
}

// What a dialogue can name has its place in the plan under the very path
// that a rendered answer carries.
func TestRenderedPathsAreInThePlan(t *testing.T) {
	u, err := demo(t).Unit("deep-2")
	if err != nil {
		t.Fatal(err)
	}
	for _, expression := range []string{
		"unit.name", "unit.kind", "unit.serial", "unit.title",
		"port.address", "port.mask", "port.prefix", "port.cidr", "port.gateway", "port.address6", "port.cidr6", "port.prefix6", "port.gateway6", "network.subnet6",
		`ports["e1"].address`, "ports.e2.mtu", "unit.ports[3].vlan", "port.network.subnet",
		"network.name", "network.subnet", "network.mask", "network.prefix", "network.gateway", "network.domain", "ports.e1.network.gateway",
		"cluster.mode", "cluster.name", "cluster.address",
		"site.name", "site.title", "site.domain", "site.time_zone", "site.log",
	} {
		answer := &script.Answer{Source: "${" + expression + "}"}
		pieces, err := answer.Render(u.Values)
		if err != nil {
			t.Errorf("%s: %v", expression, err)
			continue
		}
		if len(pieces) != 1 || pieces[0].Path == "" || u.Planned[pieces[0].Path] != pieces[0].Text {
			t.Errorf("%s: rendered as %+v, planned %q", expression, pieces, u.Planned[pieces[0].Path])
		}
	}
}

func TestSecretsResolveByRoleAndThenByName(t *testing.T) {
	text := cleanProfile(t)
	text = strings.Replace(text, "  deep-join: {file: deep-join}\n", "  deep-join: {file: deep-join}\n  other: {env: OTHER}\n  last: {env: LAST}\nroles: {admin: last, spare: last}\n", 1)
	text = strings.Replace(text, "    cluster: {join: deep}\n", "    roles: {admin: other}\n    cluster: {join: deep}\n", 1)
	s, err := site.Parse("site.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := Make(s)
	if p == nil {
		t.Fatal(problems)
	}
	wants := []map[string]string{
		{"admin": "shelf-admin", "spare": "last", "join": "deep-join", "other": "other", "s24-factory": "s24-factory"},
		{"admin": "other", "spare": "last", "join": "deep-join", "other": "other", "shelf-admin": "shelf-admin"},
	}
	for i, want := range wants {
		refs := p.Units[i].Values["secret"].(map[string]script.SecretRef)
		for role, name := range want {
			if refs[role].Name != name {
				t.Errorf("%s: secret.%s is %q, want %q", p.Units[i].Name, role, refs[role].Name, name)
			}
		}
	}
	if got, want := p.Units[1].Secrets, []string{"deep-join", "last", "other", "s24-factory"}; !slices.Equal(got, want) {
		t.Errorf("secrets of the second unit: %v, want %v", got, want)
	}
	if want := []string{"deep-join", "last", "other", "s24-factory", "shelf-admin"}; !slices.Equal(p.Secrets, want) {
		t.Errorf("all secrets: %v, want %v", p.Secrets, want)
	}
}
