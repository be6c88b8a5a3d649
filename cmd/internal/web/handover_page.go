package web

import (
	"net/http"

	"linehand/cmd/internal/archive"
	"linehand/transcript/index"
)

// handoverView is the Handover page.
type handoverView struct {
	Units   []unitRecords
	Unknown []index.Hit // records of units that the plan does not have
	Missing int         // units with a console and no record
	Packs   []archive.KeptPack
	Plan    bool
}

// unitRecords is a unit of the plan with its records, the latest first.
type unitRecords struct {
	Name    string
	Kind    string
	Console bool
	Records []index.Hit
}

// mostRecords is how many records are offered.
const mostRecords = 5000

func (s *site) handoverPage(w http.ResponseWriter, r *http.Request) {
	f := s.frame(r, "handover", "Handover", nil)
	f.Live = "records"
	hits, err := s.Archive.Find(r.Context(), index.Query{Limit: mostRecords})
	if err != nil {
		s.failed(w, r, "The records cannot be listed", err)
		return
	}
	v := handoverView{}
	if v.Packs, err = s.Archive.Packs(); err != nil {
		s.failed(w, r, "The packs cannot be listed", err)
		return
	}
	s.units(&v, hits)
	f.Data = v
	s.show(w, http.StatusOK, f)
}

// units sorts the records by the units of the plan.
func (s *site) units(v *handoverView, hits []index.Hit) {
	at := make(map[string]int)
	if s.Plan != nil && s.Plan() != nil && s.Plan().Plan != nil {
		v.Plan = true
		for _, u := range s.Plan().Plan.Units {
			at[u.Name] = len(v.Units)
			v.Units = append(v.Units, unitRecords{Name: u.Name, Kind: u.Kind, Console: u.Dialogue != ""})
		}
	}
	for _, h := range hits {
		if i, ok := at[h.Unit]; ok {
			v.Units[i].Records = append(v.Units[i].Records, h)
		} else {
			v.Unknown = append(v.Unknown, h)
		}
	}
	for _, u := range v.Units {
		if u.Console && len(u.Records) == 0 {
			v.Missing++
		}
	}
}
