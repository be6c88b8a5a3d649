package api

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
	"linehand/transcript"
)

// problem answers with a problem detail (RFC 9457).
func problem(w http.ResponseWriter, status int, why string) {
	body, _ := json.Marshal(huma.ErrorModel{Title: http.StatusText(status), Status: status, Detail: why}) // of strings: cannot fail
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(body) // whoever is gone does not read it
}

// strip takes out of a problem what was sent: the library repeats the value
// that it rejects, and a secret may be in it, even as the name of a field. Only
// places that the document knows are told.
func strip(_ huma.Context, _ string, v any) (any, error) {
	m, ok := v.(*huma.ErrorModel)
	if !ok {
		return v, nil
	}
	clean := *m
	clean.Errors = nil
	for _, e := range m.Errors {
		clean.Errors = append(clean.Errors, stripped(e))
	}
	return &clean, nil
}

func stripped(e *huma.ErrorDetail) *huma.ErrorDetail {
	out := &huma.ErrorDetail{Message: e.Message, Location: e.Location}
	if strings.HasPrefix(e.Message, "unexpected property") || strings.HasPrefix(e.Message, "unknown query") {
		out.Location, _, _ = strings.Cut(e.Location, ".")
	}
	out.Message, _, _ = strings.Cut(e.Message, ": ")
	switch {
	case strings.HasPrefix(e.Message, "expected"), strings.HasPrefix(e.Message, "unexpected property"), strings.HasPrefix(e.Message, "validation failed"),
		strings.HasPrefix(e.Message, "required"), strings.HasPrefix(e.Message, "unknown query parameter"), strings.HasPrefix(e.Message, "request body"):
		return out
	}
	// What another library says of what it cannot read may quote it.
	out.Message = "cannot be read"
	return out
}

// sentence is a fault that tells people what is wrong in words of its own.
type sentence struct {
	status int
	text   string
}

func (e *sentence) Error() string { return e.text }

func say(status int, text string) error { return &sentence{status, text} }

// known are the faults that are told by a fixed sentence: their own text may
// hold what was sent.
var known = []struct {
	err    error
	status int
	text   string
}{
	{bench.ErrNoLine, 404, "the bench has no such line"},
	{bench.ErrNoUnit, 404, "the plan has no such unit"},
	{bench.ErrNoHold, 404, "there is no such hold any more"},
	{bench.ErrChoice, 422, "this choice is not possible here"},
	{bench.ErrReleased, 409, ""},
	{bench.ErrTaken, 409, ""},
	{bench.ErrState, 409, "the line is not in a state for this"},
	{bench.ErrAllowance, 409, ""},
	{bench.ErrSerial, 409, ""},
	{orders.ErrNoOrder, 404, ""},
	{orders.ErrNotGranted, 409, ""},
	{orders.ErrStoreLost, 409, ""},
	{archive.ErrNone, 404, "there is no such record"},
	{archive.ErrNoPack, 404, ""},
	{archive.ErrNoPlan, 409, ""},
	{archive.ErrNotPlanned, 409, ""},
	{archive.ErrNotSound, 409, ""},
	{transcript.ErrNotRecord, 409, "this file is no session record"},
	{transcript.ErrOtherVersion, 409, "this record is of another version"},
	{access.ErrNoToken, 404, ""},
	{access.ErrRoles, 403, ""},
	{access.ErrByToken, 403, ""},
	{access.ErrTokenLife, 422, ""},
	{access.ErrTokens, 409, ""},
	{access.ErrLink, 409, ""},
	{fs.ErrNotExist, 404, "it is not there"},
	{context.DeadlineExceeded, 503, "it took too long; try again"},
	{context.Canceled, 503, "it was ended before it was done"},
}

// explain makes a problem of an error. What is not known is for the log: its
// text was not written for whoever asks from outside.
func (s *server) explain(ctx context.Context, err error) error {
	var own *sentence
	if errors.As(err, &own) {
		return huma.NewError(own.status, own.text)
	}
	if status, text := orderFault(err); status != 0 {
		return huma.NewError(status, text)
	}
	for _, k := range known {
		if errors.Is(err, k.err) {
			text := k.text
			if text == "" {
				text = k.err.Error()
			}
			return huma.NewError(k.status, text)
		}
	}
	route := ""
	if n, ok := ctx.Value(noteKey{}).(*note); ok {
		route = n.route
	}
	s.Log.Error().Err(err).Str("route", route).Msg("a request failed")
	return huma.NewError(http.StatusInternalServerError, "it failed; the bench's log says why")
}

// orderFault tells the faults of orders, which name an order, a bench and
// people, and nothing that was sent besides.
func orderFault(err error) (int, string) {
	var wrong *orders.WrongStateError
	var released *orders.ReleasedError
	var leased *orders.LeasedError
	var fenced *orders.FencedError
	var stopped *orders.StoppedError
	var far *orders.UnreachableError
	var name *orders.NameError
	var busy *bench.LeasedError
	switch {
	case errors.As(err, &wrong):
		return 409, wrong.Error()
	case errors.As(err, &released):
		return 409, "the hold was released by " + released.By
	case errors.As(err, &leased):
		return 409, leased.Error()
	case errors.As(err, &busy):
		return 409, busy.Error()
	case errors.As(err, &fenced), errors.As(err, &stopped):
		return 409, "another has taken this order over, or it was stopped"
	case errors.As(err, &far):
		return 503, "the store that has this order cannot be reached now"
	case errors.As(err, &name):
		return 422, "a name of a site, unit, batch or bench cannot be used"
	}
	return 0, ""
}
