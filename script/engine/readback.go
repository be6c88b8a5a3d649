package engine

import (
	"fmt"
	"strings"

	"linehand/script"
)

// Read is one value that the unit was asked for, beside the plan.
type Read struct {
	What     string
	Stage    string
	Exchange string
	Pos      string
	Path     string // plan path, "" when computed or only kept
	Got      string // "" when the unit did not print it
	Want     string
	Compared bool // false: kept as a fact, nothing to compare with
	Equal    bool
	Fault    string // why the two could not be compared
}

// readBack reads the response to the last answer that asks for values.
func (e *Engine) readBack(since string) error {
	x := e.reading
	if x == nil {
		return nil
	}
	e.reading = nil
	for i := range x.spec.Reads {
		if err := e.readOne(x, &x.spec.Reads[i], since); err != nil {
			return err
		}
	}
	return nil
}

func (e *Engine) readOne(x *exchange, rb *script.ReadBack, since string) error {
	what, err := rb.Title(x.stage.values)
	if err != nil {
		return err
	}
	r := Read{What: what, Stage: x.stage.name, Exchange: x.name(), Pos: fmt.Sprintf("%s:%d", rb.Pos.File, rb.Pos.Line)}
	if m := rb.Pattern.FindStringSubmatch(since); len(m) > 1 {
		r.Got = strings.TrimSpace(m[1])
	}
	if rb.Keep != "" {
		e.Fact(rb.Keep, r.Got)
	}
	if rb.Equals != nil {
		pieces, err := rb.Equals.Render(x.stage.values)
		if err != nil {
			return err
		}
		for _, p := range pieces {
			r.Want += p.Text
			r.Path = p.Path
		}
		if len(pieces) > 1 {
			r.Path = ""
		}
		r.Compared = true
		r.Equal, r.Fault = compare(rb.As, r.Got, r.Want)
		if r.Equal {
			e.readOK++
		} else {
			e.differs++
		}
	}
	e.reads = append(e.reads, r)
	return nil
}

func compare(kind script.ValueKind, got, want string) (bool, string) {
	if got == "" {
		return false, "the unit did not print it"
	}
	equal, err := script.Compare(kind, got, want)
	if err != nil {
		return false, err.Error()
	}
	return equal, ""
}

// Reads hands over what was read back since the last call.
func (e *Engine) Reads() []Read {
	r := e.reads
	e.reads = nil
	return r
}
