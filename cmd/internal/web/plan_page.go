package web

import (
	"html/template"
	"net/http"

	"linehand/cmd/internal/page"
)

// planView is the Plan page: the page of a check, inside those of the bench.
type planView struct{ Head, Sections template.HTML }

func (s *site) planPage(w http.ResponseWriter, r *http.Request) {
	if s.Plan == nil || s.Plan() == nil {
		s.sorry(w, r, http.StatusNotFound, "This bench has no site profile", "Start it with one, linehand bench --profile FILE, and what is planned stands here.")
		return
	}
	head, sections, err := page.Parts(*s.Plan())
	if err != nil {
		s.failed(w, r, "The plan cannot be shown", err)
		return
	}
	s.show(w, http.StatusOK, s.frame(r, "plan", "Plan", planView{head, sections}))
}
