package api

import (
	"context"
	"net/http"
	"strings"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/station"
)

var errNoPlan = say(http.StatusNotFound, "this bench has no site profile")

// planView is a plan and its check.
type planView struct {
	Profile  string              `json:"profile,omitempty"`
	Site     string              `json:"site,omitempty"`
	Sound    bool                `json:"sound" doc:"a run may begin"`
	Findings []station.Finding   `json:"findings"`
	Units    []station.UnitCheck `json:"units" doc:"values as planned; of secrets the names"`
	Networks []station.Network   `json:"networks,omitempty"`
	Lock     *station.Lock       `json:"lock,omitempty"`
	Sums     any                 `json:"sums,omitempty" doc:"racks, power, lifting, disks and time, as linehand check --json has them"`
}

func (s *server) planOperations() {
	add(s, s.op(access.Look, http.MethodGet, "/plan", "The site's plan, without secrets, and what the check of it has found"),
		func(context.Context, access.Session, *empty) (*body[planView], error) {
			r := s.plan()
			if r == nil {
				return nil, errNoPlan
			}
			return of(planView{r.Profile, r.Site, r.Sound, r.Findings, r.Units, r.Networks, r.Lock, r.Sums}), nil
		})
	add(s, s.op(access.Look, http.MethodGet, "/plan/units/{unit}", "The plan of one unit"),
		func(_ context.Context, _ access.Session, in *atUnit) (*body[station.UnitCheck], error) {
			r := s.plan()
			if r == nil {
				return nil, errNoPlan
			}
			for _, u := range r.Units {
				if strings.EqualFold(u.Name, in.Unit) {
					return of(u), nil
				}
			}
			return nil, say(http.StatusNotFound, "the plan has no such unit")
		})
	add(s, s.op(access.Look, http.MethodGet, "/fleet", "The firm's benches"), s.fleet)
}

func (s *server) plan() *station.Report {
	if s.Plan == nil {
		return nil
	}
	return s.Plan()
}
