package access

import (
	"context"
	"net"
	"net/http"
	"time"
)

type socketKey struct{}

// AtSocket marks the connections of the socket in the data folder, for
// http.Server.ConnContext: whoever can open it owns the bench.
func AtSocket(ctx context.Context, c net.Conn) context.Context {
	if c.LocalAddr() != nil && c.LocalAddr().Network() == "unix" {
		return context.WithValue(ctx, socketKey{}, true)
	}
	return ctx
}

// PersonHeader says who asks, on the socket only: its owner may be several
// people.
const PersonHeader = "Linehand-Person"

// atSocket is the session of a request on the socket.
func (g *Gate) atSocket(r *http.Request) (Session, context.Context) {
	name := g.owner
	if said := r.Header.Get(PersonHeader); said != "" && CheckName(said) == nil {
		name = said
	}
	return Session{ID: "socket", Person: Person{name, AllRoles()}, Way: BySocket, Begun: time.Now(), Seen: time.Now()}, r.Context()
}
