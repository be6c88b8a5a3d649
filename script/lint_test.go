package script

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func findings(list []Finding) []string {
	var lines []string
	for _, f := range list {
		lines = append(lines, strings.TrimPrefix(f.Pos.String(), "d.yaml:")+" "+string(f.Severity)+": "+f.What)
	}
	return lines
}

func TestLintExampleIsClean(t *testing.T) {
	d, err := Load("testdata/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if list := Lint(d); len(list) > 0 {
		t.Errorf("%v", list)
	}
}

// TestLint gives each rule a dialogue that breaks it, and beside it one that
// only looks as if it did.
func TestLint(t *testing.T) {
	const end = "    until: 'P8>'\n"
	for _, tt := range []struct {
		name, text string
		want       []string
	}{
		{"clean", minimal("  - stage: a\n    exchanges: [{prompt: 'Name:', answer: x}]\n" + end), nil},
		{"no serial", "format: linehand.dialogue/1\nname: p\nstages: [{stage: a, until: 'P8>'}]\n",
			[]string{"1:1 error: no fact is called serial"}},
		{"no serial, said so", "format: linehand.dialogue/1\nname: p\nidentity: not printed\nstages: [{stage: a, until: 'P8>'}]\n", nil},
		{"suffix of one that may be left out", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Name:', answer: x, sometimes: true}\n      - {prompt: 'Cluster Name:', answer: y}\n" + end),
			[]string{`8:18 error: the prompt "Name:" on line 7 also matches at the end of "Cluster Name:"`}},
		{"suffix in order", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Name:', answer: x}\n      - {prompt: 'Cluster Name: ', answer: y}\n" + end),
			[]string{`8:18 warning: the prompt "Name:" on line 7 also matches at the end of "Cluster Name: "`}},
		{"suffix second", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Cluster Name:', answer: x}\n      - {prompt: 'Name:', answer: y}\n" + end),
			[]string{`8:18 warning: the prompt "Name:" also matches at the end of "Cluster Name:" on line 7`}},
		{"suffix by case only", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Name:', answer: x}\n      - {prompt: 'Cluster name:', answer: y}\n" + end), nil},
		{"anchored", minimal("  - stage: a\n    exchanges:\n      - {prompt: {regexp: '(?m)^Name:'}, answer: x}\n      - {prompt: 'Cluster Name:', answer: y}\n" + end), nil},
		{"regexp over plain", minimal("  - stage: a\n    exchanges:\n      - {prompt: {regexp: '\\w+:'}, answer: x, times: 3}\n      - {prompt: 'Gateway:', answer: y}\n" + end),
			[]string{`8:18 error: the prompt "\\w+:" on line 7 also matches at the end of "Gateway:"`}},
		{"empty regexp", minimal("  - stage: a\n    exchanges: [{prompt: {regexp: '.*'}, answer: x}]\n    refused-by: {regexp: 'no|'}\n" + end),
			[]string{`6:35 error: the regular expression ".*" matches the empty text`, `7:26 error: the regular expression "no|" matches the empty text`}},
		{"same wording twice", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'P8>', answer: x}\n      - {prompt: 'P8>', answer: y}\n" + end), nil},
		{"same wording, first may be out", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Again:', answer: x, sometimes: true}\n      - {prompt: 'Again: ', answer: y}\n" + end),
			[]string{`8:9 error: the prompt "Again:" stands on line 7 too`}},
		{"same wording, guards decide", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Mode:', answer: x, needed: 'cluster.mode == \"join\"', sometimes: true}\n      - {prompt: 'Mode:', answer: y, needed: 'cluster.mode != \"join\"'}\n" + end), nil},
		{"at once within a longer one", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'Password', answer: x, at-once: true, sometimes: true}\n      - {prompt: 'Password of the cluster:', answer: y}\n" + end),
			[]string{`7:18 error: the prompt "Password" is answered at once, and stands within "Password of the cluster:" on line 8`}},
		{"never reached", minimal("  - {stage: a, until: 'A>', finish: true}\n  - {stage: b, until: 'B>'}\n"),
			[]string{`6:5 error: stage "b" is never reached`}},
		{"reached by a refusal", minimal("  - {stage: a, until: 'A>', finish: true, if-refused: b}\n  - {stage: b, until: 'B>'}\n"), nil},
		{"reached when the end is left out", minimal("  - {stage: a, until: 'A>', finish: true, needed: 'cluster.mode == \"join\"'}\n  - {stage: b, until: 'B>'}\n"), nil},
		{"if-refused nowhere", minimal("  - {stage: sign in, until: 'A>', if-refused: sing in}\n"),
			[]string{`5:5 error: no stage is called "sing in", where if-refused goes on`}},
		{"two of a name", minimal("  - {stage: a, until: 'A>'}\n  - {stage: a, until: 'B>'}\n"),
			[]string{`6:5 error: two stages are called "a", the first on line 5`}},
		{"repeated under one name", minimal("  - {stage: a, each: {p: unit.ports}, until: 'A>'}\n"),
			[]string{`5:5 warning: stage "a" is repeated under one name`}},
		{"last answer unseen", minimal("  - stage: a\n    exchanges: [{prompt: 'Name:', answer: x}]\n"),
			[]string{"6:17 warning: nothing shows that the last answer was taken"}},
		{"secret shown", minimal("  - stage: a\n    exchanges: [{prompt: 'Secret:', answer: '${secret.a}', echo: typed}]\n" + end),
			[]string{"6:17 error: a secret is typed where the unit shows what is typed"}},
		{"fact never read", minimal("  - stage: a\n    exchanges: [{prompt: 'Name:', answer: '${fact.seril}', needed: '\"mode\" in fact && fact.mode == \"x\"'}]\n" + end),
			[]string{`6:43 error: fact "seril" is never read`, `6:68 error: fact "mode" is never read`}},
		{"fact kept", minimal("  - stage: a\n    exchanges:\n      - {prompt: 'P8>', answer: show, reads: [{what: mode, regexp: 'mode (\\S+)', keep: mode}]}\n      - {prompt: 'P8>', answer: '${fact.mode}'}\n" + end), nil},
		{"refusal is a prompt", minimal("  - stage: a\n    exchanges: [{prompt: 'Name:', answer: x}]\n    refused-by: Name\n" + end),
			[]string{`7:17 error: refused-by "Name" stands in the prompt "Name:" on line 6`}},
		{"stop is a prompt", "stop-on: [{text: failed, because: x}]\n" + minimal("  - stage: a\n    exchanges: [{prompt: 'Test failed. Go on? [y/n]', answer: y}]\n"+end),
			[]string{`1:11 error: stop-on "failed" stands in the prompt "Test failed. Go on? [y/n]" on line 7`}},
		{"chatter takes a prompt", "chatter: ['^\\[.*$']\n" + minimal("  - stage: a\n    exchanges: [{prompt: '[shelf] name:', answer: y}]\n"+end),
			[]string{`7:26 error: the prompt "[shelf] name:" is taken out as chatter by "^\\[.*$"`}},
		{"steps", "before:\n  - {step: a, do: x, caution: y}\n  - {step: a, do: x}\n  - {step: b, do: x, each: {p: unit.ports}}\n  - {step: c, do: x, values: [{label: l, value: v}]}\n  - general: unpack\n  - general: unpack\n" + minimal("  - {stage: a, until: 'A>'}\n"),
			[]string{`2:5 warning: the caution of step "a" says no source`, `3:5 error: two steps are called "a", the first on line 2`, `4:5 warning: step "b" is repeated under one name`,
				`5:5 warning: step "c" has values, and does not say what the page must show at the end`, `7:5 error: two steps are called "unpack", the first on line 6`}},
		{"steps in both halves, said well", "before: [{step: 'a ${p.name}', do: x, caution: y, source: IEC 61340-5-1, each: {p: unit.ports}}]\nafter: [{step: 'a ${port.name}', do: x}, {step: c, do: x, values: [{label: l, value: v}], must-show: done}]\n" + minimal("  - {stage: a, until: 'A>'}\n"), nil},
		{"half way", minimal("  - stage: a\n    exchanges: [{prompt: 'Password:', answer: x}]\n  - stage: b\n    exchanges: [{prompt: 'New Password:', answer: y}]\n" + end),
			[]string{`8:26 warning: the prompt "Password:" of stage "a" on line 6 also matches at the end of "New Password:"`}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, findings(Lint(mustParse(t, tt.text)))); diff != "" {
				t.Errorf("findings (-want +got):\n%s", diff)
			}
		})
	}
}

func TestLintValues(t *testing.T) {
	text := minimal(`  - stage: start
    needed: 'cluster.mode == "start"'
    exchanges: [{prompt: 'Address:', answer: '${cluster.address}'}]
  - stage: join
    needed: 'cluster.mode == "join"'
    exchanges:
      - {prompt: 'Address:', answer: '${cluster.address}'}
      - {prompt: 'Secret:', answer: '${secret.missing}'}
      - {prompt: 'Was:', answer: '${fact.serial}-${site.log}'}
      - {prompt: 'Start?', answer: '${site.title}', when: 'cluster.mode == "start"'}
      - {prompt: 'P8>', answer: '', reads: [{what: x, as: mask, regexp: '(x)', equals: '${unit.name}'}]}
  - stage: port ${port.name}
    each: {port: unit.ports}
    exchanges:
      - {prompt: 'Gateway:', answer: '${port.gateway}'}
      - {prompt: 'MTU:', answer: '${port.mtu}', needed: 'port.mtu > 0'}
      - {prompt: 'Third:', answer: '${unit.ports[2].address}', needed: 'fact.serial == "x"'}
`)
	want := []string{
		"11:38 error: ${cluster.address}: the plan does not supply it",
		`12:37 error: ${secret.missing}: the site profile names no secret "missing"`,
		"13:50 error: ${site.log}: the plan does not supply it",
		`15:88 error: the read-back compares as mask: the planned value "shelf-1" is not a mask such as 255.255.255.0, /24 or 24`,
		"19:38 error: ${port.gateway}: the plan does not supply it",
		"21:36 error: ${unit.ports[2].address}: cannot be worked out: index out of range: 2 (array length is 2)",
	}
	if diff := cmp.Diff(want, findings(LintValues(mustParse(t, text), shelf()))); diff != "" {
		t.Errorf("findings (-want +got):\n%s", diff)
	}
}

func TestLintValuesOfLooksAndSteps(t *testing.T) {
	d := mustParse(t, `before:
  - {step: a, do: 'to ${port.gateway}', each: {port: unit.ports}}
  - {step: b, do: 'to ${port.gateway == "" ? "" : "there"}', each: {port: unit.ports}}
  - {step: c, do: 'at ${place.at}', needed: 'place.at > 0'}
  - {step: d, do: 'at ${place.at}'}
  - {step: e, do: x, values: [{label: x, value: '${secret.nobody}'}, {label: y, value: '${secret.join-a}'}]}
serves:
  looks:
    - {what: '${port.name}', address: '${port.address}', by: icmp, each: {port: unit.ports}}
    - {what: x, address: '${unit.name}', by: ssh}
    - {what: x, address: '${cluster.address}', by: ssh}
    - {what: x, address: '${cluster.address}', by: ssh, needed: 'cluster.mode == "start"'}
`+minimal("  - {stage: a, until: 'A>'}\n"))
	want := []string{
		`10:26 error: what is looked at is "shelf-1", which is not an address`,
		`11:26 error: ${cluster.address}: the plan does not supply it`,
	}
	if diff := cmp.Diff(want, findings(LintValues(d, shelf()))); diff != "" {
		t.Errorf("looks (-want +got):\n%s", diff)
	}
	want = []string{
		`2:23 error: ${port.gateway}: the plan does not supply it`,
		`5:23 error: ${place.at}: the plan does not supply it`,
		`6:49 error: ${secret.nobody}: the site profile names no secret "nobody"`,
	}
	if diff := cmp.Diff(want, findings(LintSteps(d.Before, shelf()))); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
}
