package access

import (
	"context"
	"net/http"
	"time"

	"linehand/cmd/internal/bench"
)

// Person is somebody, or a program, that is known by name.
type Person struct {
	Name  string `json:"name"`
	Roles Roles  `json:"roles"`
}

// Way is how somebody has come in.
type Way string

// The ways in.
const (
	ByLink       Way = "link"       // printed when the bench was started
	ByPassphrase Way = "passphrase" //
	ByToken      Way = "token"      // of the API
	BySocket     Way = "socket"     // in the data folder
)

// Session is somebody who is known, from when they have signed in.
type Session struct {
	ID     string    `json:"id"` // for lists; it opens nothing
	Person Person    `json:"person"`
	Way    Way       `json:"way"`
	Begun  time.Time `json:"begun"`
	Seen   time.Time `json:"seen"` // last request
	Until  time.Time `json:"until,omitzero"`
}

// May tells whether the person has the role.
func (s Session) May(r Role) bool { return s.Person.Roles.Has(r) }

// By is the person as the bench records them.
func (s Session) By() bench.Person {
	return bench.Person{Name: s.Person.Name, Role: s.Person.Roles.String()}
}

type sessionKey struct{}

// With gives a context in which From finds s; for tests of what stands behind
// a Gate, and for the Gate itself.
func With(ctx context.Context, s Session) context.Context {
	return context.WithValue(ctx, sessionKey{}, s)
}

// From is the session of a request that has come through a Gate.
func From(ctx context.Context) (Session, bool) {
	s, ok := ctx.Value(sessionKey{}).(Session)
	return s, ok
}

// Require lets a request through to next only if its session has the role;
// others get 403, or 401 without a session.
func Require(r Role, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		s, known := From(req.Context())
		switch {
		case !known:
			refuse(w, http.StatusUnauthorized, "sign in first")
		case !s.May(r):
			refuse(w, http.StatusForbidden, "this needs the role "+string(r))
		default:
			next.ServeHTTP(w, req)
		}
	})
}
