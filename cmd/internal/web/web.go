// Package web is the pages of a bench: what people see of it in a browser, on
// the machine, on a phone in the aisle, or from afar.
//
// Pages are made here, whole and without a script; what only looks works
// without one. The script adds three things. It asks for a page again when the
// API tells of a change, and puts into the document only what is other than
// before, so that focus, selection and what is being typed stay. It sends what a
// person does to the API, which is the only way anything is changed. And it
// shows a line's screen as it comes.
//
// Everything that a unit or a file says is escaped by html/template, or set as
// text by the script. The pages have no script or style of their own inside
// them: the policy that the gate sends forbids it.
package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
	"linehand/cmd/internal/bench"
)

//go:embed pages/*.html
var pageFiles embed.FS

// site makes the pages of one bench.
type site struct {
	api.Deps
	pages   map[string]*template.Template
	version string // of the assets
	stages  stageCache
	audits  auditCache
	played  played
}

// Pages are the handlers of the pages, for Deps.Pages of the API. The other
// members of d are to be as the API has them.
func Pages(d api.Deps) api.Pages {
	files := assetFiles()
	s := &site{Deps: d, version: files.version()}
	s.pages = s.parse()
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.benchPage)
	mux.HandleFunc("GET /lines/{line}", s.linePage)
	mux.HandleFunc("GET /plan", s.planPage)
	mux.HandleFunc("GET /records", s.needing(access.Audit, s.recordsPage))
	mux.HandleFunc("GET /records/{record}", s.needing(access.Audit, s.recordPage))
	mux.HandleFunc("GET /handover", s.needing(access.Audit, s.handoverPage))
	mux.HandleFunc("GET /fleet", s.fleetPage)
	mux.HandleFunc("GET /people", s.needing(access.Keys, s.peoplePage))
	mux.HandleFunc("GET /sign-out", s.signOutPage)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.sorry(w, r, http.StatusNotFound, "There is no page of this name", "Look at the address again, or take one of the pages named above and below.")
	})
	return api.Pages{Signed: mux, SignIn: http.HandlerFunc(s.signInPage), Assets: files}
}

func (s *site) parse() map[string]*template.Template {
	base := template.Must(template.New("frame.html").Funcs(s.functions()).ParseFS(pageFiles, "pages/frame.html", "pages/pieces.html"))
	out := make(map[string]*template.Template)
	for _, name := range []string{"bench", "line", "plan", "records", "record", "handover", "fleet", "people", "sorry", "sign-in", "sign-out"} {
		out[name] = template.Must(template.Must(base.Clone()).ParseFS(pageFiles, "pages/"+name+".html"))
	}
	return out
}

// frame is what every page has around it.
type frame struct {
	Page    string // its name in the navigation
	Title   string
	Bench   string
	Tool    string
	Version string
	Person  string
	Can     can
	Needs   int    // lines that need a person
	Live    string // words of changes after which the page is asked for again; "": it does not change
	Only    string // the line that it is about; "": all
	Now     time.Time
	Data    any
}

// can is what whoever looks may do.
type can struct{ Play, Release, Audit, Keys bool }

func (s *site) frame(r *http.Request, page, title string, data any) frame {
	who, _ := access.From(r.Context())
	f := frame{
		Page: page, Title: title, Bench: s.Bench.Name(), Tool: s.Tool, Version: s.version, Person: who.Person.Name, Now: time.Now(), Data: data,
		Can: can{who.May(access.Play), who.May(access.Release), who.May(access.Audit), who.May(access.Keys)},
	}
	for _, l := range s.Bench.Lines() {
		if needs(l) {
			f.Needs++
		}
	}
	return f
}

// show writes a page. It is made whole before anything is sent, so that a
// fault in it is told as one.
func (s *site) show(w http.ResponseWriter, status int, f frame) {
	var b bytes.Buffer
	if err := s.pages[templateOf(f.Page)].Execute(&b, f); err != nil {
		s.Log.Error().Err(err).Str("page", f.Page).Msg("make a page")
		http.Error(w, "This page could not be made. The bench goes on; its log says more.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // whoever is gone does not read it
}

func templateOf(page string) string {
	if page == "" {
		return "sorry"
	}
	return page
}

// needing keeps a page from people without a role, and tells them what to do.
func (s *site) needing(role access.Role, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if who, _ := access.From(r.Context()); !who.May(role) {
			s.sorry(w, r, http.StatusForbidden, "This page is not among what you may see",
				fmt.Sprintf("It needs the role “%s”. Whoever looks after the bench can give it to you there, with linehand bench people.", role))
			return
		}
		next(w, r)
	}
}

// sorry is the page of something that did not work: what, and what to do.
func (s *site) sorry(w http.ResponseWriter, r *http.Request, status int, what, do string) {
	s.show(w, status, s.frame(r, "", what, do))
}

// failed is the page of something that is the bench's fault; what it is goes
// to the log, for it was not written for people elsewhere.
func (s *site) failed(w http.ResponseWriter, r *http.Request, what string, err error) {
	s.Log.Error().Err(err).Msg(strings.ToLower(what))
	s.sorry(w, r, http.StatusInternalServerError, what, "Try again in a moment. If it stays so, the log of the bench says why; what is being played is not touched by it.")
}

// needs tells whether a line waits for a person.
func needs(l bench.Line) bool {
	return l.Person || l.State == bench.Holding || l.State == bench.Unmatched
}
