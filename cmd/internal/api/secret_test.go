package api

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
)

// TestNoSecret puts marked secrets wherever one may be put, rightly or by
// mistake, and looks for them in every answer, metric, log line and file.
func TestNoSecret(t *testing.T) {
	const mark = "Zq7-marked-secret"
	r := newRig(t, true)
	people, err := access.OpenPeople(r.data)
	must(t, err)
	must(t, people.Add("Sam", access.Roles{access.Play}, mark+"-passphrase", time.Now()))
	var out strings.Builder
	ask := func(method, path, body string) {
		w := r.all(method, path, body)
		fmt.Fprintf(&out, "%s %s: %d %v %s\n", method, strings.ReplaceAll(path, mark, "…"), w.Code, w.Header(), w.Body)
	}
	// Where secrets belong.
	ask("POST", "/api/lines/"+line1+"/keyboard", "")
	ask("POST", "/api/lines/"+line1+"/keyboard/secret", `{"secret":"`+mark+`"}`)
	ask("POST", "/api/holds/h-0001/release", `{"choice":"type","text":"`+mark+`","secret":true}`)
	if n := len(r.bench.Calls()); n != 3 {
		t.Fatalf("%d things were done:\n%s", n, &out)
	}
	// Where they do not: every operation, in each place of a request.
	r.each(func(method, path string, op *huma.Operation) {
		filled := r.real(path)
		for _, body := range []string{
			`{"` + mark + `":1}`, `"` + mark + `"`, `[{"secret":"` + mark + `"}]`, mark, `{"secret":["` + mark + `"],"keys":{"` + mark + `":"` + mark + `"}}`,
			`{"choice":"` + mark + `","hold":"` + mark + `","text":"` + mark + `"}`, `{"unit":"` + mark + `"}`, `{"units":["` + mark + `"]}`, `{"id":"` + mark + ` "}`,
			`{"allowance":"` + mark + `"}`, `{"records":["` + mark + `"]}`, `{"name":"` + mark + `\n","roles":["look"]}`, `{"name":"x","roles":["` + mark + `"]}`,
			`{"before":"` + mark + ` "}`, `{"labels":"` + mark + `"}`, `{"site":"` + strings.Repeat(mark, 20) + `"}`,
		} {
			if path == "/api/orders" && strings.HasPrefix(body, `{"unit"`) {
				continue // it is a unit's name then
			}
			if method != http.MethodGet {
				ask(method, filled, body)
			}
		}
		ask(method, strings.NewReplacer("{", mark+"-", "}", "").Replace(path), "")
		ask(method, filled+"?secret="+mark+"&limit="+mark+"&since="+mark+"&state="+mark, "")
	})
	// On the way through the gate.
	form := url.Values{"name": {"Sam"}, "passphrase": {mark + "-passphrase"}}.Encode()
	w := r.ask("POST", "/sign-in", "", form, "Content-Type", "application/x-www-form-urlencoded")
	if w.Code != http.StatusSeeOther {
		t.Fatalf("sign in: %d %s", w.Code, w.Body)
	}
	cookie := w.Result().Cookies()[0]
	for _, body := range []string{url.Values{"name": {mark}, "passphrase": {"x"}}.Encode(), url.Values{"name": {"Sam"}, "passphrase": {mark}}.Encode()} {
		w := r.ask("POST", "/sign-in", "", body, "Content-Type", "application/x-www-form-urlencoded")
		fmt.Fprintln(&out, w.Code, w.Header(), w.Body)
	}
	for _, path := range []string{"/sign-in/once/" + mark, "/" + mark, "/api/" + mark, "/lines/x?secret=" + mark} {
		for _, token := range []string{"", mark, r.tokens[access.Look]} {
			w := r.ask("GET", path, token, "", "Linehand-Person", mark, "Referer", "https://"+mark+".example.net")
			fmt.Fprintln(&out, w.Code, w.Header(), w.Body)
		}
	}
	link, err := r.Gate.Link()
	must(t, err)
	w = r.ask("GET", link, "", "")
	cookies := []string{cookie.Value, w.Result().Cookies()[0].Value, strings.TrimPrefix(link, "/sign-in/once/")}
	ask("GET", "/metrics", "")
	everywhere := map[string]string{"answers": out.String(), "log": r.log.String()}
	must(t, filepath.WalkDir(r.data, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() && !strings.Contains(path, "orders") { // orders keep what is no secret
			data, rerr := os.ReadFile(path)
			everywhere[path] = string(data)
			return rerr
		}
		return err
	}))
	for where, text := range everywhere {
		secrets := append([]string{mark}, cookies...)
		for _, token := range r.tokens {
			secrets = append(secrets, token)
		}
		for _, s := range secrets {
			if i := strings.Index(text, s); i >= 0 {
				t.Errorf("%s: …%.300s…", where, text[max(0, i-150):])
			}
		}
	}
	if !strings.Contains(everywhere["answers"], "linehand_lines{") || len(everywhere["log"]) < 1000 {
		t.Error("too little was looked at")
	}
}

// TestMetrics: the names that others count on, and no unit in a label.
func TestMetrics(t *testing.T) {
	r := newRig(t, true)
	r.ask("GET", "/api/lines", r.tokens[access.Look], "")
	must(t, r.bench.Stop(t.Context(), owner.By(), line1))
	for {
		text := r.all("GET", "/metrics", "").Body.String()
		if !strings.Contains(text, "linehand_runs_total") {
			time.Sleep(time.Millisecond) // the change is on its way
			continue
		}
		for _, want := range []string{
			`linehand_lines{state="on hold"} 1`, `linehand_lines{state="playing"} 0`, `linehand_runs_total{ending="stopped"} 1`, `linehand_answer_latency_seconds_count 0`,
			`linehand_http_requests_total{method="GET",route="GET /api/lines",status="200"} 1`, `linehand_build_info{version="linehand test"} 1`, "linehand_firm_linked 1", "go_goroutines",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("no %s", want)
			}
		}
		for _, no := range []string{"BW24", "shelf-0", "quay", "Robin", "usb:"} {
			if strings.Contains(text, no) {
				t.Errorf("%s is in the metrics", no)
			}
		}
		return
	}
}
