package index

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Query says what is looked for. What is empty does not count; what is given
// must all hold.
type Query struct {
	Text   string    // words that stand in one line, each from its beginning
	Unit   string    // as planned, capitals or not
	Serial string    // as planned, or as a unit printed it
	Stage  string    // that the run has come to
	Fact   string    // NAME=TEXT, NAME, or =TEXT for a fact of any name
	Part   string    // of a visit: NAME, NAME=STATE, or =STATE
	Step   string    // by hand: likewise
	Look   string    // over the network: likewise
	Punch  string    // a piece of a point's text, or what it is about; TEXT=open or TEXT=closed, or only =STATE
	Ending string    // the code of the ending
	Since  time.Time // begun at or after
	Before time.Time // begun before
	Limit  int       // no more hits than this; 100 if zero
}

// Hit is a place in a record.
type Hit struct {
	Record  string        `json:"record"` // path
	Unit    string        `json:"unit"`
	Kind    string        `json:"unit_kind,omitempty"`
	Serial  string        `json:"serial,omitempty"`
	Site    string        `json:"site,omitempty"`
	Person  string        `json:"person,omitempty"`
	Mode    string        `json:"mode,omitempty"`
	Started time.Time     `json:"started"`
	Ending  string        `json:"ending,omitempty"`
	Exit    int           `json:"exit"`
	Fault   string        `json:"fault,omitempty"`
	Event   int           `json:"event,omitempty"` // of the line, stage or fact that was found; 0: the record as a whole
	At      time.Duration `json:"at_ns,omitempty"` // of that event
	Text    string        `json:"text,omitempty"`  // of that event
}

// usualLimit is how many hits there are unless more are asked for.
const usualLimit = 100

// ErrEmptyQuery is for a query that asks for nothing.
var ErrEmptyQuery = errors.New("nothing to look for: name a text, unit, serial number, stage, fact, part, step, look, punch, ending or time")

// Search finds places, the latest records first.
func (x *Index) Search(ctx context.Context, q Query) ([]Hit, error) {
	text, args, err := q.statement()
	if err != nil {
		return nil, err
	}
	rows, err := x.db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, fmt.Errorf("search the index: %w", err)
	}
	defer rows.Close()
	hits := []Hit{}
	for rows.Next() {
		var h Hit
		var started, at int64
		var zone int
		if err := rows.Scan(&h.Record, &h.Unit, &h.Kind, &h.Serial, &h.Site, &h.Person, &h.Mode, &started, &zone, &h.Ending, &h.Exit, &h.Fault, &h.Event, &at, &h.Text); err != nil {
			return nil, fmt.Errorf("search the index: %w", err)
		}
		h.Started, h.At = time.Unix(0, started).In(time.FixedZone("", zone)), time.Duration(at)
		hits = append(hits, h)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("search the index: %w", err)
	}
	return hits, nil
}

// statement gathers the conditions of a query.
type statement struct {
	from, where []string
	args        []any
	event       string // what the hit is, in order of what says most
	at, text    string
	order       string
}

func (s *statement) and(condition string, args ...any) {
	s.where, s.args = append(s.where, condition), append(s.args, args...)
}

func (s *statement) hitIs(table, text string) {
	s.event, s.at, s.text = table+".event", table+".at", text
}

func (q Query) statement() (string, []any, error) {
	s := &statement{from: []string{"records r"}, event: "0", at: "0", text: "''", order: "r.started DESC, r.path"}
	q.places(s)
	q.records(s)
	if len(s.where) == 0 {
		return "", nil, ErrEmptyQuery
	}
	limit := q.Limit
	if limit <= 0 {
		limit = usualLimit
	}
	return fmt.Sprintf(`SELECT r.path, r.unit, r.kind, r.serial, r.site, r.person, r.mode, r.started, r.zone, r.ending, r.code, r.fault, %s, %s, %s
		FROM %s WHERE %s ORDER BY %s, 13 LIMIT %d`, // 13 is the event
		s.event, s.at, s.text, strings.Join(s.from, " "), strings.Join(s.where, " AND "), s.order, limit), s.args, nil
}

// places are the conditions that stand somewhere in a record.
func (q Query) places(s *statement) {
	if q.Stage != "" {
		s.from = append(s.from, "JOIN stages s ON s.record = r.id")
		s.and("s.name = ?", q.Stage)
		s.hitIs("s", "s.name")
	}
	if q.Fact != "" {
		s.from = append(s.from, "JOIN facts f ON f.record = r.id")
		name, text, both := strings.Cut(q.Fact, "=")
		if name != "" {
			s.and("f.name = ?", name)
		}
		if both {
			s.and("f.text = ?", text)
		}
		s.hitIs("f", "f.name || ' = ' || f.text")
	}
	q.visits(s)
	if words := match(q.Text); words != "" {
		s.from = append(s.from, "JOIN lines ON lines.record = r.id")
		s.and("lines MATCH ?", words)
		s.hitIs("lines", "lines.text")
	}
}

// visits are the conditions on what only visits have.
func (q Query) visits(s *statement) {
	for _, c := range []struct{ kind, want string }{{"part", q.Part}, {"step", q.Step}, {"look", q.Look}, {"punch", q.Punch}} {
		if c.want == "" {
			continue
		}
		t := "v_" + c.kind
		s.from = append(s.from, "JOIN visits "+t+" ON "+t+".record = r.id")
		s.and(t+".kind = ?", c.kind)
		name, state, both := c.want, "", false
		if i := strings.LastIndex(name, "="); i >= 0 {
			name, state, both = name[:i], name[i+1:], true
		}
		switch {
		case name != "" && c.kind == "punch":
			s.and("("+t+".name = ? OR instr(lower("+t+".text), lower(?)) > 0)", name, name)
		case name != "":
			s.and(t+".name = ?", name)
		}
		if both {
			s.and(t+".state = ?", state)
		}
		s.hitIs(t, "CASE "+t+".name WHEN '' THEN '' ELSE "+t+".name || ': ' END || "+t+".state || ' ' || "+t+".text")
	}
}

// records are the conditions on a record as a whole.
func (q Query) records(s *statement) {
	if q.Unit != "" {
		s.and("r.unit = ?", q.Unit)
	}
	if q.Serial != "" {
		s.and("(r.serial = ? OR r.id IN (SELECT record FROM facts WHERE name = 'serial' AND text = ?))", q.Serial, q.Serial)
	}
	if q.Ending != "" {
		s.and("r.ending = ?", q.Ending)
	}
	if !q.Since.IsZero() {
		s.and("r.started >= ?", q.Since.UnixNano())
	}
	if !q.Before.IsZero() {
		s.and("r.started < ?", q.Before.UnixNano())
	}
}

// match is the words of a text as FTS5 wants them: each quoted, so that none
// is taken for an operator, and each a beginning
// (https://www.sqlite.org/fts5.html, section 3).
func match(text string) string {
	var words []string
	for _, w := range strings.Fields(strings.ReplaceAll(text, "\x00", " ")) {
		words = append(words, `"`+strings.ReplaceAll(w, `"`, `""`)+`"*`)
	}
	return strings.Join(words, " ")
}
