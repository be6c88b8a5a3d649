package schema

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"testing"

	"linehand/script/site"

	"go.yaml.in/yaml/v3"
)

// unsayable are the reader's words for what JSON Schema cannot express: what
// depends on another value, on a list of names outside the file, on counting
// in texts, or on how YAML was written.
var unsayable = regexp.MustCompile(`was there before|said twice|is not a time zone|is not a mask of ones|is not a range of addresses|runs backwards|IPv4 address in IPv6 form|is not a size|is not a length|is not a time of at most|cannot be a name here|cannot be the name of|neither a server's address|leading zeros|has a zone|write a (whole )?number from`)

// TestMutatedProfiles changes 200 profiles at random, one or two places in
// each, and has schema and reader judge them. They must agree; where they do
// not, the reader must be the stricter one and each of its reasons one that
// JSON Schema cannot express. Those are counted apart.
func TestMutatedProfiles(t *testing.T) {
	s := compile(t, Profile())
	var sources [][]byte
	for _, name := range []string{"../../fixtures/site/skerrymore.yaml", "../../fixtures/site/company.yaml", "../site/testdata/clean.yaml"} {
		for _, data := range cleanFiles(t, name) {
			sources = append(sources, data)
		}
	}
	r := rand.New(rand.NewPCG(2026, 11))
	const profiles = 200
	agreed, refused, apart := 0, 0, 0
	for i := range profiles {
		text, how := mutate(t, r, sources[i%len(sources)])
		v, err := instance(text)
		if err != nil {
			t.Fatalf("%d (%s): %v\n%s", i, how, err, text)
		}
		bySchema, byReader := s.Validate(v), site.CheckFile("site.yaml", text)
		switch {
		case (bySchema == nil) == (byReader == nil):
			agreed++
			if byReader != nil {
				refused++
			}
		case bySchema == nil && onlyUnsayable(byReader):
			apart++
		default:
			t.Errorf("%d (%s):\nschema: %v\nreader: %v", i, how, bySchema, byReader)
		}
	}
	t.Logf("%d profiles: %d judged alike (%d of them refused), %d refused by the reader for what JSON Schema cannot say", profiles, agreed, refused, apart)
	if agreed < profiles*9/10 || refused < profiles/4 || agreed-refused < profiles/20 {
		t.Errorf("agreed %d, of them refused %d: the changes are too alike to show anything", agreed, refused)
	}
}

func onlyUnsayable(err error) bool {
	var errs site.Errors
	if !errors.As(err, &errs) {
		return false
	}
	for _, f := range errs {
		if !unsayable.MatchString(f.What + "; " + f.Mend) {
			return false
		}
	}
	return true
}

// scraps are values that stand somewhere by mistake.
var scraps = []string{
	"x", "auto", "40", "4095", "-1", "0", "1.5", "0x10", "010", "true", "no", "192.0.2.9", "192.0.2.300", "192.0.2.0/24", "2001:db8::9", "::ffff:192.0.2.9", "2001:db8::1%e0",
	"Europe/Nowhere", "15", "8-32", "20 TB", "20 T", "5m", "5 minutes", "striped mirrors", "C14", "C13", "deep-1", "a b", "a.b", "a/b", "name@host", "255.255.255.0", "a-z0-9", "2026-11-25", "1e3", "none", "front", "IEC",
}

// mutate changes one or two places of a profile and writes it anew.
func mutate(t *testing.T, r *rand.Rand, source []byte) (text []byte, how string) {
	t.Helper()
	var root yaml.Node
	if err := yaml.Unmarshal(source, &root); err != nil {
		t.Fatal(err)
	}
	for range 1 + r.IntN(2) {
		how += change(r, &root) + "; "
	}
	text, err := yaml.Marshal(&root)
	if err != nil {
		t.Fatal(err)
	}
	return text, how
}

func change(r *rand.Rand, root *yaml.Node) string {
	var maps, lists, scalars []*yaml.Node
	var walk func(n *yaml.Node, key bool)
	walk = func(n *yaml.Node, key bool) {
		switch n.Kind {
		case yaml.MappingNode:
			maps = append(maps, n)
		case yaml.SequenceNode:
			lists = append(lists, n)
		case yaml.ScalarNode:
			if !key && n.Value != site.Format { // another format is refused before all else
				scalars = append(scalars, n)
			}
		}
		for i, c := range n.Content {
			walk(c, n.Kind == yaml.MappingNode && i%2 == 0)
		}
	}
	walk(root, false)
	pick := func(list []*yaml.Node) *yaml.Node { return list[r.IntN(len(list))] }
	scrap := scraps[r.IntN(len(scraps))]
	switch r.IntN(8) {
	case 0: // a key mistyped
		m := pick(maps)
		k := m.Content[2*r.IntN(len(m.Content)/2)]
		if k.Value == "format" {
			return "nothing"
		}
		was := k.Value
		k.Value = was[:len(was)-1] + "q"
		return "key " + was + " mistyped"
	case 1: // a key more
		m := pick(maps)
		m.Content = append(m.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: "remark"}, &yaml.Node{Kind: yaml.ScalarNode, Value: scrap})
		return "key remark added"
	case 2: // a key less
		m := pick(maps)
		at := 2 * r.IntN(len(m.Content)/2)
		was := m.Content[at].Value
		if was == "format" || len(m.Content) == 2 {
			return "nothing"
		}
		m.Content = append(m.Content[:at:at], m.Content[at+2:]...)
		return "key " + was + " left out"
	case 3: // a value in place of a list or map
		n := pick(append(maps[1:], lists...))
		*n = yaml.Node{Kind: yaml.ScalarNode, Value: scrap}
		return scrap + " in place of a list or map"
	case 4: // a list in place of a value
		n := pick(scalars)
		*n = yaml.Node{Kind: yaml.SequenceNode, Content: []*yaml.Node{{Kind: yaml.ScalarNode, Value: n.Value}}}
		return "a list in place of a value"
	case 5: // an element again
		l := pick(lists)
		l.Content = append(l.Content, l.Content[r.IntN(len(l.Content))])
		return "an element again"
	}
	n := pick(scalars)
	was := n.Value
	*n = yaml.Node{Kind: yaml.ScalarNode, Value: scrap}
	if r.IntN(4) == 0 {
		n.Style = yaml.SingleQuotedStyle
	}
	return fmt.Sprintf("%q in place of %q", scrap, was)
}
