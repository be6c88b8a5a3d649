package main

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linehand/fixtures/rig"
	"linehand/script/engine"
	"linehand/transcript"
)

// The tests below bring up devices that nobody on this project wrote, with
// the command that a technician uses, and prove the result without asking
// the dialogue.

// command runs linehand and returns its exit code and what it printed.
func command(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	var o, e bytes.Buffer
	code = Main(ctx, args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// bring is one bring-up of a real device.
type bring struct {
	ended
	record *transcript.Record
	raw    []byte
}

// bringUp runs `linehand bringup` on a rig.
func bringUp(t *testing.T, profile, unit, line string, more ...string) bring {
	t.Helper()
	args := append([]string{"bringup", unit + "=" + line, "--json", "--on-hold", "end", "--log-level", "warn",
		"--profile", filepath.Join("..", "..", "fixtures", "rig", "testdata", profile), "--records", t.TempDir()}, more...)
	code, out, errs := command(t, args...)
	var list []ended
	if err := json.Unmarshal([]byte(out), &list); err != nil || len(list) != 1 {
		t.Fatalf("linehand %s: exit %d, no result: %v\n%s%s", strings.Join(args, " "), code, err, out, errs)
	}
	b := bring{ended: list[0]}
	if code != b.Exit {
		t.Errorf("exit code %d, the result says %d", code, b.Exit)
	}
	var err error
	if b.record, err = transcript.Read(b.Record); err != nil {
		t.Fatal(err)
	}
	if !b.record.Whole {
		t.Errorf("the record is not whole: %v", b.record.Fault)
	}
	if b.raw, err = os.ReadFile(b.Record); err != nil {
		t.Fatal(err)
	}
	t.Logf("%s: %s after %.1f s: %s", unit, b.Ending, b.Seconds, b.Sentence)
	return b
}

func (b bring) wants(t *testing.T, how engine.How, words ...string) {
	t.Helper()
	if b.Ending != string(how) {
		t.Fatalf("ended as %s, want %s: %s", b.Ending, how, b.Sentence)
	}
	for _, w := range words {
		if !strings.Contains(b.Sentence, w) {
			t.Errorf("the sentence does not say %q: %s", w, b.Sentence)
		}
	}
}

// heard is what the record holds of what the device sent, and whether a
// secret stood in it.
func (b bring) heard() (all []byte, whole bool) {
	whole = true
	for _, e := range b.record.Events {
		if e.Kind != transcript.Heard {
			continue
		}
		for _, p := range e.Data {
			all = append(all, p.Bytes...)
			whole = whole && p.Secret == ""
		}
	}
	return all, whole
}

// matchesWitness compares the record with the device's own log: equal, but
// for what the device sent after the run had ended.
func (b bring) matchesWitness(t *testing.T, log []byte) {
	t.Helper()
	heard, whole := b.heard()
	if !whole {
		t.Error("a secret stood in what the device sent")
	}
	if len(heard) == 0 || !bytes.HasPrefix(log, heard) || len(log)-len(heard) > 200 {
		t.Errorf("the record heard %d bytes, the device's own log has %d, and they are not the same", len(heard), len(log))
	}
}

func (b bring) holdsNo(t *testing.T, secrets ...string) {
	t.Helper()
	for _, s := range secrets {
		if bytes.Contains(b.raw, []byte(s)) {
			t.Error("a secret stands in the record")
		}
	}
}

func TestOperatingSystemFirstBoot(t *testing.T) {
	const secret = "Gull-Perch-8831x"
	t.Setenv("RIG_ROOT_SECRET", secret)
	r := rig.StartOSFirstBoot(t, rig.OSFirstBootOptions{})
	first := bringUp(t, "first-boot.site.yaml", "stor-1", "serial:"+r.Address(), "--chassis", "RIG-OS-0001")
	first.wants(t, engine.Done)
	first.holdsNo(t, secret)
	first.matchesWitness(t, r.DeviceLog())
	if name, zone := r.HostName(t), r.TimeZone(t); name != "stor-1" || zone != "Europe/Madrid" {
		t.Errorf("the system is named %q in %q", name, zone)
	}
	if !r.SecretIs(t, secret) || r.SecretIs(t, "another") {
		t.Error("the account database does not verify the planned secret, or verifies any")
	}

	before := r.Digest(t)
	r.PowerCycle(t)
	second := bringUp(t, "first-boot.site.yaml", "stor-1", "serial:"+r.Address(), "--chassis", "RIG-OS-0001")
	second.wants(t, engine.Already, "nothing was changed")
	if r.Digest(t) != before {
		t.Error("the second run changed the system")
	}
}

func TestOperatingSystemLoginWithForcedChange(t *testing.T) {
	const secret = "Otter-Weir-5520k"
	t.Setenv("RIG_FACTORY_SECRET", rig.FactorySecret)
	t.Setenv("RIG_ADMIN_SECRET", secret)
	r := rig.StartOSLogin(t, rig.OSLoginOptions{})
	if r.LastChange(t) != 0 {
		t.Fatal("the account does not begin with a secret that must be changed")
	}
	first := bringUp(t, "login.site.yaml", "tide-1", "serial:"+r.Address(), "--chassis", "RIG-OS-0002")
	first.wants(t, engine.Done)
	first.holdsNo(t, secret, rig.FactorySecret)
	first.matchesWitness(t, r.DeviceLog())
	if got := r.LastChange(t); got != rig.Today() {
		t.Errorf("the account database says the secret was changed on day %d, today is %d", got, rig.Today())
	}
	if !r.SecretIs(t, secret) {
		t.Error("the account database does not verify the planned secret")
	}
	if r.SignsIn(t, rig.FactorySecret) {
		t.Error("the factory secret still signs in")
	}

	before := r.Digest(t)
	second := bringUp(t, "login.site.yaml", "tide-1", "serial:"+r.Address(), "--chassis", "RIG-OS-0002")
	second.wants(t, engine.Already)
	second.holdsNo(t, secret, rig.FactorySecret)
	if r.Digest(t) != before {
		t.Error("the second run changed the accounts")
	}
}

func TestOperatingSystemRefusesAWeakSecret(t *testing.T) {
	t.Setenv("RIG_FACTORY_SECRET", rig.FactorySecret)
	t.Setenv("RIG_ADMIN_SECRET", "weak")
	r := rig.StartOSLogin(t, rig.OSLoginOptions{})
	b := bringUp(t, "login.site.yaml", "tide-1", "serial:"+r.Address(), "--chassis", "RIG-OS-0002")
	b.wants(t, engine.Refused, "You must choose a longer password.")
	if r.LastChange(t) != 0 || !r.SecretIs(t, rig.FactorySecret) {
		t.Error("the account was changed although the new secret was refused")
	}
}

func TestBootLoaderFirmware(t *testing.T) {
	planned := map[string]string{"ipaddr": "192.0.2.40", "netmask": "255.255.255.0", "gatewayip": "192.0.2.1", "serverip": "198.51.100.9"}
	r := rig.StartBootLoader(t, rig.BootLoaderOptions{})
	first := bringUp(t, "boot-loader.site.yaml", "buoy-1", "unix:"+r.Address(), "--chassis", "RIG-FW-0001")
	// This firmware cannot save on this machine, and says so.
	first.wants(t, engine.Refused, "Failed (1)")
	first.matchesWitness(t, r.DeviceLog())
	if got := pick(r.Environment(t), planned); !maps.Equal(got, planned) {
		t.Errorf("the firmware's own export, read from its disk, has %v, want %v", got, planned)
	}

	second := bringUp(t, "boot-loader.site.yaml", "buoy-1", "unix:"+r.Address(), "--chassis", "RIG-FW-0001")
	second.wants(t, engine.Already)

	r.Reset(t)
	if got := pick(r.Environment(t), planned); maps.Equal(got, planned) {
		t.Error("the settings outlived a reset, although the firmware said that saving failed")
	}
}

// pick keeps the entries that want has.
func pick(got, want map[string]string) map[string]string {
	out := map[string]string{}
	for k := range want {
		if v, ok := got[k]; ok {
			out[k] = v
		}
	}
	return out
}
