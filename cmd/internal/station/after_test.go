package station

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const proofText = `format: linehand.dialogue/1
name: s24-proof
facts: {serial: 'Serial (\S+)'}
stages:
  - stage: what it holds
    looks: true
    within: 1m
    exchanges:
      - {prompt: 'S24>', answer: 'show name'}
      - {prompt: 'S24>', answer: 'try ${factory.user}'}
      - {prompt: 'Pass phrase:', answer: '${factory.secret}', echo: hidden}
      - {prompt: 'Pass phrase:', answer: '${secret.join}', echo: hidden}
`

const setUpText = `format: linehand.dialogue/1
name: s24-set-up
facts: {serial: 'Serial (\S+)'}
stages:
  - stage: pool
    within: 1m
    exchanges:
      - {prompt: 'S24>', answer: 'create pool "${storage.layout}" of ${storage.use}'}
`

// later writes a profile on top of the demo site whose shelves have a set-up
// and a proof.
func later(t *testing.T, keys, proof string) string {
	t.Helper()
	dir := t.TempDir()
	base, err := filepath.Abs("../../../fixtures/site/skerrymore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	profile := filepath.Join(dir, "site.yaml")
	for path, text := range map[string]string{
		profile:                          "format: linehand.site/1\ndefaults: " + filepath.ToSlash(base) + "\nkinds:\n  brackwater-s24: {set-up: set.yaml, proof: prove.yaml" + keys + "}\n",
		filepath.Join(dir, "set.yaml"):   setUpText,
		filepath.Join(dir, "prove.yaml"): proof,
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return profile
}

// TestVisitsDialogues: all three dialogues are read, and their secrets told
// together: over SSH also the one that signs in.
func TestVisitsDialogues(t *testing.T) {
	for keys, want := range map[string]string{
		"":             "deep-join s24-factory",
		", reach: ssh": "deep-join s24-factory shelf-admin",
	} {
		sheet, err := ReadSheet(later(t, keys, proofText))
		if err != nil {
			t.Fatal(err)
		}
		u, err := sheet.Unit("deep-1")
		if err != nil {
			t.Fatal(err)
		}
		setUp, _, err := sheet.SetUp(u)
		if err != nil || setUp == nil || setUp.Name != "s24-set-up" {
			t.Fatalf("set-up %v, %v", setUp, err)
		}
		proof, _, err := sheet.Proof(u)
		if err != nil || proof == nil || proof.Name != "s24-proof" {
			t.Fatalf("proof %v, %v", proof, err)
		}
		if got := strings.Join(VisitSecrets(u, nil, setUp, proof), " "); got != want {
			t.Errorf("reach %q: secrets %q, want %q", keys, got, want)
		}
		strip, err := sheet.Unit("strip-1a")
		if err != nil {
			t.Fatal(err)
		}
		if d, _, err := sheet.SetUp(strip); d != nil || err != nil {
			t.Errorf("a kind without a set-up has one: %v", err)
		}
		if d, _, err := sheet.Proof(strip); d != nil || err != nil {
			t.Errorf("a kind without a proof has one: %v", err)
		}
	}
}

// TestProofOnlyLooks: a proof with a stage that may change the unit is refused,
// by a run and by a check, and so is one that names what no plan has.
func TestProofOnlyLooks(t *testing.T) {
	for _, tt := range []struct{ old, new, want string }{
		{"    looks: true\n", "", `prove.yaml:5:5: the stage "what it holds" of a proof does not say that it only looks (a proof changes nothing: what it finds is what was handed over); write looks: true in it, or move it to the set-up`},
		{"${secret.join}", "${secret.none}", `none`},
	} {
		profile := later(t, "", strings.Replace(proofText, tt.old, tt.new, 1))
		sheet, err := ReadSheet(profile)
		if err != nil {
			t.Fatal(err)
		}
		u, _ := sheet.Unit("deep-2")
		if _, _, err := sheet.Proof(u); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("got %v, want %s", err, tt.want)
		}
		if r := Check(profile, Options{Secrets: Warning}); r.Sound || !strings.Contains(r.Findings.Faults().Error(), tt.want) {
			t.Errorf("the check finds %v", r.Findings.Faults())
		}
	}
}

// TestLiftIsInTheValues: dialogues and steps see what the sums say.
func TestLiftIsInTheValues(t *testing.T) {
	sheet := demo(t)
	u, err := sheet.Unit("deep-1")
	if err != nil {
		t.Fatal(err)
	}
	d, _, err := sheet.Dialogue(u)
	if err != nil {
		t.Fatal(err)
	}
	before, after, err := sheet.Steps(u, d)
	if err != nil {
		t.Fatal(err)
	}
	told := ""
	for _, s := range before {
		told += s.Of + ": " + s.Do + "\n"
	}
	// A shelf weighs 24 kg without its drives (company.yaml).
	for _, want := range []string{"lift: ", "24.0 kg", "drives out: "} {
		if !strings.Contains(told, want) {
			t.Errorf("no step tells of %q:\n%s", want, told)
		}
	}
	if len(after) == 0 {
		t.Error("no step is left for the end")
	}
}

// TestStepsOfASite: a site's word on steps counts, and a step that it names
// and nobody has is told at its place. So is each step with a caution that the
// site loosens.
func TestStepsOfASite(t *testing.T) {
	dir := t.TempDir()
	base, err := filepath.Abs("../../../fixtures/site/skerrymore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	profile := filepath.Join(dir, "site.yaml")
	text := "format: linehand.site/1\ndefaults: " + filepath.ToSlash(base) + "\nvisit:\n  steps: advisory\n  required: [Contents, data cable e0]\n  without: [bezell, lift]\n  advisory: [Static strap]\n"
	if err := os.WriteFile(profile, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := Check(profile, Options{Secrets: Note})
	var told []string
	for _, f := range r.Findings.only(Warning) {
		if !strings.HasPrefix(f.File, dir) {
			continue // of the lock file that this profile has not
		}
		told = append(told, strings.TrimPrefix(f.Sentence(), profile)+"; "+f.Mend)
	}
	slices.Sort(told)
	for i, want := range []string{
		`:4:10: the site makes all steps advisory, also `,
		`:6:13: no step by hand is called "bezell" (what the site says of it has no effect); did you mean "bezel"?`,
		`:6:21: the site goes without step "lift" (NIOSH publication 94-110`,
		`:7:14: the site makes step "static strap" (IEC 61340-5-1 (also ANSI/ESD S20.20)) advisory, which has a caution (Static that is not felt destroys parts`,
	} {
		if i >= len(told) || !strings.HasPrefix(told[i], want) {
			t.Errorf("warning %d is not %s:\n%s", i, want, strings.Join(told, "\n"))
		}
	}
	if len(told) != 4 || !strings.Contains(told[0], `"drives out" (IEC 61340-5-1`) || strings.Contains(told[0], `"contents"`) {
		t.Errorf("told is %s", strings.Join(told, "\n"))
	}
	kinds := map[string]ByHand{}
	for _, k := range r.ByHand {
		kinds[k.Kind] = k
	}
	if len(kinds) != 3 || len(kinds["tamsin-p8"].Units) != 6 {
		t.Fatalf("steps of %d kinds, %d strips", len(kinds), len(kinds["tamsin-p8"].Units))
	}
	var holds []string
	for _, s := range kinds["brackwater-s24"].Before {
		if s.Required {
			holds = append(holds, s.Name)
		}
	}
	if got := strings.Join(holds, ", "); got != "contents, data cable e0" {
		t.Errorf("hold points: %s", got)
	}
	for _, k := range r.ByHand {
		for _, s := range k.Before {
			if s.Caution != "" && (s.Source == "" || !strings.Contains(strings.ToLower(s.Caution), "local codes and licensed practice")) {
				t.Errorf("%s, %s: the caution has no source or defers to nobody: %s", k.Kind, s.Name, s.Caution)
			}
		}
	}
}
