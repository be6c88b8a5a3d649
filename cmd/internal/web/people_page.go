package web

import (
	"net/http"

	"linehand/cmd/internal/access"
)

// peopleView is the People page.
type peopleView struct {
	Me       access.Session
	Sessions []access.Session
	Tokens   []access.Token
	Roles    []roleView
	Loopback bool
}

type roleView struct {
	Name  access.Role
	Does  string
	Given bool // to whoever looks, so that they may give it on
}

func (s *site) peoplePage(w http.ResponseWriter, r *http.Request) {
	me, _ := access.From(r.Context())
	v := peopleView{Me: me}
	if s.Gate != nil {
		v.Sessions, v.Tokens, v.Loopback = s.Gate.Sessions(), s.Gate.Tokens(), s.Gate.Loopback()
	}
	for _, role := range access.AllRoles() {
		v.Roles = append(v.Roles, roleView{role, roleDoes(role), me.May(role)})
	}
	s.show(w, http.StatusOK, s.frame(r, "people", "People", v))
}

func roleDoes(r access.Role) string {
	switch r {
	case access.Look:
		return "see the lines, their screens, the plan and the fleet"
	case access.Play:
		return "allow, stop and match units; name and rest lines"
	case access.Release:
		return "release holds, and take a line over"
	case access.Audit:
		return "see records, and make handover packs"
	case access.Keys:
		return "see who is signed in, and make and end API tokens"
	}
	return ""
}

// signInView is the page on which people sign in.
type signInView struct {
	Failed   string
	Next     string
	Loopback bool
}

func (s *site) signInPage(w http.ResponseWriter, r *http.Request) {
	v := signInView{Failed: failedWords(r.URL.Query().Get("failed")), Next: r.URL.Query().Get("next")}
	if s.Gate != nil {
		v.Loopback = s.Gate.Loopback()
	}
	s.show(w, http.StatusOK, frame{Page: "sign-in", Title: "Sign in", Version: s.version, Data: v})
}

func failedWords(why string) string {
	switch why {
	case "":
		return ""
	case "wait":
		return "That was tried too often. Wait a quarter of a minute, and try again."
	case "link":
		return "The link was used already, or is too old. A new one is printed by linehand bench link, at the bench."
	}
	return "The name or the passphrase is not right. Try again; capitals count in a passphrase."
}

func (s *site) signOutPage(w http.ResponseWriter, r *http.Request) {
	s.show(w, http.StatusOK, s.frame(r, "sign-out", "Sign out", nil))
}
