package api

import (
	"context"
	"net/http"
	"time"

	"linehand/cmd/internal/access"
)

type atSession struct {
	Session string `path:"session" maxLength:"64"`
}

type atToken struct {
	Token string `path:"token" maxLength:"64" doc:"ID of the token, which is not its secret"`
}

type makeToken struct {
	Body struct {
		Name  string        `json:"name" minLength:"1" maxLength:"64" doc:"of the program that is to have it"`
		Roles []access.Role `json:"roles" minItems:"1" maxItems:"5" nullable:"false" enum:"look,play,release,audit,keys"`
		Days  int           `json:"days,omitempty" minimum:"1" maximum:"366" default:"90"`
	}
}

// madeToken is a token with its secret, which is told this once.
type madeToken struct {
	access.Token
	Secret string `json:"secret" doc:"told this once, and kept nowhere"`
}

type linkView struct {
	URL   string    `json:"url,omitempty" doc:"the link as one opens it"`
	Path  string    `json:"path" doc:"of the bench's address; whoever opens it first is signed in"`
	Until time.Time `json:"until"`
}

func (s *server) sessionOperations() {
	add(s, s.op(access.Look, http.MethodGet, "/session", "Who asks, and what they may do"),
		func(_ context.Context, who access.Session, _ *empty) (*body[access.Session], error) {
			return of(who), nil
		})
	add(s, s.op(access.Keys, http.MethodGet, "/sessions", "Who is signed in"),
		func(context.Context, access.Session, *empty) (*body[[]access.Session], error) {
			return of(s.Gate.Sessions()), nil
		})
	add(s, s.op(access.Keys, http.MethodDelete, "/sessions/{session}", "End a session"),
		func(_ context.Context, who access.Session, in *atSession) (*nothing, error) {
			if !s.Gate.EndSession(who, in.Session) {
				return nil, say(http.StatusNotFound, "there is no such session any more")
			}
			return nil, nil
		})
	add(s, s.op(access.Keys, http.MethodGet, "/tokens", "API tokens, without their secrets"),
		func(context.Context, access.Session, *empty) (*body[[]access.Token], error) {
			return of(s.Gate.Tokens()), nil
		})
	add(s, s.op(access.Keys, http.MethodPost, "/tokens", "Make an API token"), s.makeToken)
	add(s, s.op(access.Keys, http.MethodDelete, "/tokens/{token}", "End an API token"),
		func(_ context.Context, who access.Session, in *atToken) (*nothing, error) {
			return nil, s.Gate.EndToken(who, in.Token)
		})
	add(s, s.op(access.Keys, http.MethodPost, "/sign-in-links", "Make a one-time link; only through the socket in the data folder"),
		func(_ context.Context, who access.Session, _ *empty) (*body[linkView], error) {
			if who.Way != access.BySocket {
				return nil, say(http.StatusForbidden, "a link is made at the bench itself: linehand bench link")
			}
			path, err := s.Gate.Link()
			link := linkView{Path: path, Until: time.Now().Add(access.LinkLife)}
			if s.base != "" {
				link.URL = s.base + path
			}
			return of(link), err
		})
}

func (s *server) makeToken(_ context.Context, who access.Session, in *makeToken) (*body[madeToken], error) {
	if err := access.CheckName(in.Body.Name); err != nil {
		return nil, say(http.StatusUnprocessableEntity, err.Error())
	}
	t, secret, err := s.Gate.MakeToken(who, in.Body.Name, access.Roles(in.Body.Roles), time.Duration(in.Body.Days)*24*time.Hour)
	return of(madeToken{t, secret}), err
}
