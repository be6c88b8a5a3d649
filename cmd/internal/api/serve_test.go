package api

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"linehand/cmd/internal/access"
	"linehand/transcript"
)

// TestServe: the link that is told signs in; the socket lets its owner in by
// name, and makes another link; stopping ends a stream that is open.
func TestServe(t *testing.T) {
	r := newRig(t, false)
	ctx, stop := context.WithCancel(t.Context())
	type told struct{ base, link string }
	listened := make(chan told, 1)
	over := make(chan error, 1)
	d := r.Deps
	d.Meter = nil
	go func() {
		over <- Serve(ctx, ServeOptions{Data: r.data, Listened: func(base, link string) { listened <- told{base, link} }}, d)
	}()
	at := <-listened
	if !strings.HasPrefix(at.link, at.base+"/sign-in/once/") {
		t.Fatalf("%+v", at)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	res, err := client.Get(at.link)
	must(t, err)
	res.Body.Close()
	if res.StatusCode != http.StatusSeeOther || len(res.Cookies()) != 1 {
		t.Errorf("%d", res.StatusCode)
	}
	path := filepath.Join(r.data, SocketName)
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	local := &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", path)
	}}}
	defer local.CloseIdleConnections()
	req, err := http.NewRequest("POST", "http://bench/api/lines/"+line1+"/stop", nil)
	must(t, err)
	req.Header.Set(access.PersonHeader, "Sam")
	res, err = local.Do(req)
	must(t, err)
	res.Body.Close()
	if calls := r.bench.Calls(); res.StatusCode != http.StatusNoContent || len(calls) != 1 || calls[0].By.Name != "Sam" {
		t.Errorf("%d %+v", res.StatusCode, calls)
	}
	res, err = local.Post("http://bench/api/sign-in-links", "application/json", nil)
	must(t, err)
	v := decode[linkView](t, res.Body)
	res.Body.Close()
	if !strings.HasPrefix(v.Path, "/sign-in/once/") {
		t.Errorf("%d %+v", res.StatusCode, v)
	}
	// Over TCP nobody is whom a header says.
	req, err = http.NewRequest("GET", at.base+"/api/lines", nil)
	must(t, err)
	req.Header.Set(access.PersonHeader, "Sam")
	res, err = client.Do(req)
	must(t, err)
	res.Body.Close()
	if res.StatusCode != http.StatusUnauthorized {
		t.Errorf("%d", res.StatusCode)
	}
	res, err = local.Get("http://bench/api/changes")
	must(t, err)
	stop()
	buf := make([]byte, 1<<16)
	for err == nil {
		_, err = res.Body.Read(buf)
	}
	res.Body.Close()
	must(t, <-over)
	if _, err := os.Stat(path); err == nil {
		t.Error("the socket is left")
	}
}

func TestSocketOfTheDead(t *testing.T) {
	path := filepath.Join(t.TempDir(), SocketName)
	l, err := net.Listen("unix", path)
	must(t, err)
	if _, err := listenSocket(path); err == nil {
		t.Error("the socket of a bench that runs was taken")
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	l.Close()
	again, err := listenSocket(path)
	must(t, err)
	again.Close()
}

func TestHealth(t *testing.T) {
	r := newRig(t, false)
	if w := r.ask("GET", "/readyz", "", ""); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
	why := errors.New("the disk is full")
	r.Ready = func(context.Context) error { return why }
	if w := r.ask("GET", "/readyz", "", ""); w.Code != 503 || strings.Contains(w.Body.String(), why.Error()) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("GET", "/healthz", "", ""); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
}

// TestFault: a handler with a fault takes nothing else along, and tells
// nothing of it.
func TestFault(t *testing.T) {
	r := newRig(t, false)
	r.mux.HandleFunc("GET /fault", func(http.ResponseWriter, *http.Request) { panic("a secret") })
	w := r.ask("GET", "/fault", r.tokens[access.Look], "")
	if w.Code != 500 || strings.Contains(w.Body.String()+r.log.String(), "a secret") {
		t.Errorf("%d %s %s", w.Code, w.Body, r.log)
	}
	r.bench.Fail("Label", os.ErrPermission)
	w = r.all("POST", "/api/lines/"+line1+"/label", `{"label":"x"}`)
	if w.Code != 500 || strings.Contains(w.Body.String(), os.ErrPermission.Error()) || !strings.Contains(r.log.String(), os.ErrPermission.Error()) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestLargeRequest(t *testing.T) {
	r := newRig(t, false)
	w := r.all("POST", "/api/units/allow", `{"units":["`+strings.Repeat("x", mostBody)+`"]}`)
	if w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestKeyboard: only who has taken a line types on it.
func TestKeyboard(t *testing.T) {
	r := newRig(t, false)
	sam := access.Session{ID: "s-1", Person: access.Person{Name: "Sam", Roles: access.AllRoles()}, Way: access.ByPassphrase}
	at := "/api/lines/" + line1 + "/keyboard"
	for i, step := range []struct {
		who          access.Session
		method, path string
		body         string
		want         int
	}{
		{owner, "POST", at + "/keys", `{"keys":"x"}`, 409},
		{owner, "POST", at, "", 204},
		{sam, "POST", at, "", 409},
		{sam, "POST", at + "/keys", `{"keys":"x"}`, 409},
		{sam, "POST", at + "/secret", `{"secret":"x"}`, 409},
		{sam, "DELETE", at, "", 409},
		{owner, "POST", at + "/keys", `{"keys":"yes\r"}`, 204},
		{owner, "POST", at + "/secret", `{"secret":"x"}`, 204},
		{owner, "DELETE", at, "", 204},
		{owner, "POST", at + "/keys", `{"keys":"x"}`, 409},
		{sam, "POST", at, "", 204},
		{sam, "POST", "/api/lines/none/keyboard", "", 404},
	} {
		if w := r.as(step.who, step.method, step.path, step.body); w.Code != step.want {
			t.Errorf("step %d: %d %s", i, w.Code, w.Body)
		}
	}
	var did []string
	for _, c := range r.bench.Calls() {
		did = append(did, c.By.Name+" "+c.What+" "+c.Text)
	}
	if got := strings.Join(did, ", "); got != "Robin TakeOver , Robin Type yes\r, Robin Secret , Robin GiveBack , Sam TakeOver " {
		t.Errorf("%q", got)
	}
}

func TestMeterOfAnswers(t *testing.T) {
	m := NewMeter()
	tell := m.Run()
	for _, e := range []transcript.Event{
		{Kind: transcript.Said, At: 1, Why: "wake"},
		{Kind: transcript.Heard, At: time.Second},
		{Kind: transcript.Heard, At: 2 * time.Second},
		{Kind: transcript.Said, At: 2*time.Second + 30*time.Millisecond, Why: "answer"},
		{Kind: transcript.Said, At: 3 * time.Second, Why: "enter"},
		{Kind: transcript.Said, At: 4 * time.Second, Why: "answer"}, // nothing was heard since
	} {
		tell(e)
	}
	families, err := m.registry.Gather()
	must(t, err)
	for _, f := range families {
		if f.GetName() == "linehand_answer_latency_seconds" {
			h := f.Metric[0].Histogram
			if h.GetSampleCount() != 1 || h.GetSampleSum() < 0.0299 || h.GetSampleSum() > 0.0301 {
				t.Errorf("%v", h)
			}
		}
	}
}

// TestHandover: a pack is made of records, listed and downloaded.
func TestHandover(t *testing.T) {
	r := newRig(t, false)
	w := r.all("POST", "/api/handover", `{"records":["`+r.record+`"]}`)
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	made := decode[packView](t, w.Body)
	list := decode[[]packView](t, r.all("GET", "/api/handover", "").Body)
	if len(list) != 1 || list[0].Name != made.Name || made.Files < 8 || len(made.Punch) == 0 {
		t.Errorf("%+v %+v", made, list)
	}
	w = r.all("GET", "/api/handover/"+made.Name, "")
	if w.Code != 200 || int64(w.Body.Len()) != made.Size || !strings.HasPrefix(w.Body.String(), "PK") || w.Header().Get("Content-Disposition") != `attachment; filename="`+made.Name+`"` {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	for _, name := range []string{"..%2Fpeople.json", "..%2F..%2Ftokens.json", "none.zip", "%00.zip", ".zip"} {
		if w := r.all("GET", "/api/handover/"+name, ""); w.Code != 404 {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
	for _, name := range []string{"..%2Ftokens.json", "..%2Fx.record", "%2Fetc%2Fhosts.record", "none.record", "keys.record%00"} {
		if w := r.all("GET", "/api/records/"+name, ""); w.Code != 404 {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
	if w := r.all("GET", "/api/records/"+r.record, ""); !strings.Contains(w.Body.String(), "linehand.record/1") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestNobodyAtTheKeyboard: who has signed out, was removed or has lost their
// token types no more, and the run goes on.
func TestNobodyAtTheKeyboard(t *testing.T) {
	r := newRig(t, false)
	path, err := r.Gate.Link()
	must(t, err)
	w := r.ask("GET", path, "", "")
	cookies := w.Result().Cookies()
	if len(cookies) != 1 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	by := []string{"Cookie", cookies[0].Name + "=" + cookies[0].Value, "Sec-Fetch-Site", "same-origin"}
	at := "/api/lines/" + line1 + "/keyboard"
	if w := r.ask("POST", at, "", "", by...); w.Code != http.StatusNoContent {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if left := r.Keyboards.left(r.Gate.Still); len(left) > 0 {
		t.Fatal("the line is given back while somebody is at it")
	}
	ctx, cancel := context.WithCancel(t.Context())
	var giving sync.WaitGroup
	giving.Go(func() { r.Keyboards.run(ctx, r.Gate.Still) })
	defer giving.Wait()
	defer cancel()
	r.ask("POST", "/sign-out", "", "", by...)
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if calls := r.bench.Calls(); calls[len(calls)-1].What == "GiveBack" {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("nobody gives the line back: %+v", r.bench.Calls())
		}
	}
	token := r.tokens[access.Release]
	r.ask("POST", at, token, "")
	still := func(access.Session) bool { return true }
	if left := r.Keyboards.left(still); len(left) > 0 {
		t.Error("a token that holds has lost its line")
	}
	must(t, r.Gate.EndToken(owner, r.Gate.Tokens()[tokenOf(r, access.Release)].ID))
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if l, err := r.bench.Line(line1); err == nil && l.TakenBy == "" {
			break
		}
		if time.Now().After(end) {
			t.Fatal("whose token was ended keeps the line")
		}
	}
}

func tokenOf(r *rig, role access.Role) int {
	return slices.IndexFunc(r.Gate.Tokens(), func(t access.Token) bool { return t.Name == "test-"+string(role) })
}
