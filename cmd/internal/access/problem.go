package access

import (
	"encoding/json"
	"net/http"
)

// problem is a problem detail of RFC 9457.
type problem struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

// refuse answers with a problem detail.
func refuse(w http.ResponseWriter, status int, why string) {
	body, _ := json.Marshal(problem{http.StatusText(status), status, why}) // of strings: cannot fail
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(body) // whoever is gone does not read it
}
