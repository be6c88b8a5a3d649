package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

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
	Open     bool   // neither as planned nor a difference: not finished yet
	Fault    string // why the two could not be compared
}

// readBack reads the response to the last answer that asks for values.
func (e *Engine) readBack(shown Shown) error {
	x := e.reading
	if x == nil {
		return nil
	}
	e.reading = nil
	for i := range x.spec.Reads {
		if err := e.readOne(x, &x.spec.Reads[i], shown); err != nil {
			return err
		}
	}
	return nil
}

// Reading tells whether values are to be read out of what the unit prints
// now.
func (e *Engine) Reading() bool { return e.reading != nil }

func (e *Engine) readOne(x *exchange, rb *script.ReadBack, shown Shown) error {
	what, err := rb.Title(x.stage.values)
	if err != nil {
		return err
	}
	r := Read{What: what, Stage: x.stage.name, Exchange: x.name(), Pos: fmt.Sprintf("%s:%d", rb.Pos.File, rb.Pos.Line)}
	r.Got = taken(rb, shown.Since)
	if rb.Keep != "" {
		e.Fact(rb.Keep, r.Got)
	}
	switch {
	case rb.As == script.AsTime:
		e.readClock(&r, rb, x.stage.values, shown)
	case rb.Equals != nil:
		if err := e.readPlanned(&r, rb, x.stage.values); err != nil {
			return err
		}
	}
	if r.Compared {
		e.judge(&r, rb)
	}
	e.reads = append(e.reads, r)
	return nil
}

// taken is the value in what the unit printed. A set of names may be a table
// with one name in each line: all of them are taken.
func taken(rb *script.ReadBack, since string) string {
	most := 1
	if rb.As == script.AsNames {
		most = -1
	}
	var values []string
	for _, m := range rb.Pattern.FindAllStringSubmatch(since, most) {
		if value := strings.TrimSpace(m[1]); value != "" && !slices.Contains(values, value) {
			values = append(values, value)
		}
	}
	return strings.Join(values, " ")
}

// readPlanned compares with the plan.
func (e *Engine) readPlanned(r *Read, rb *script.ReadBack, v script.Values) error {
	pieces, err := rb.Equals.Render(v)
	if err != nil && len(rb.Equals.Facts()) > 0 {
		// The unit has not shown what the comparison needs, or something that
		// makes no sense there: its doing, not the dialogue's.
		r.Compared, r.Fault = true, err.Error()
		return nil
	}
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
	if !r.Equal && r.Fault == "" {
		r.Fault = lookAlikes(r.Got, r.Want)
	}
	return nil
}

// lookAlikes names the signs of a value that are not of the planned one's
// alphabet, where that is ASCII: both may look the same.
func lookAlikes(got, want string) string {
	beyond := func(r rune) bool { return r > '~' }
	if strings.IndexFunc(want, beyond) >= 0 || strings.IndexFunc(got, beyond) < 0 {
		return ""
	}
	var signs []string
	for _, r := range got {
		if sign := fmt.Sprintf("%U", r); beyond(r) && !slices.Contains(signs, sign) && len(signs) < 8 {
			signs = append(signs, sign)
		}
	}
	return "it is written with " + strings.Join(signs, ", ") + ", which the planned value does not have"
}

// readClock compares with the clock at the moment when the print was heard.
func (e *Engine) readClock(r *Read, rb *script.ReadBack, v script.Values, shown Shown) {
	heard := shown.Heard
	if heard.IsZero() {
		heard = shown.Now.Add(-shown.Quiet)
	}
	heard = heard.Round(0) // the wall's time, without the monotonic clock's
	r.Compared = true
	r.Want = fmt.Sprintf("%s, give or take %s", heard.UTC().Format(time.RFC3339), rb.Within)
	if r.Got == "" {
		r.Fault = notPrinted
		return
	}
	zone := ""
	if site, ok := v["site"].(script.SiteValues); ok {
		zone = site.TimeZone
	}
	var err error
	if r.Equal, err = script.CompareTime(r.Got, heard, rb.Within, zone); err != nil {
		r.Fault = err.Error()
	}
}

// judge counts a value that was compared.
func (e *Engine) judge(r *Read, rb *script.ReadBack) {
	switch {
	case r.Equal:
		e.readOK++
	case r.Got != "" && rb.Open != nil && rb.Open.In.MatchString(r.Got):
		r.Open, r.Fault = true, ""
		e.open = append(e.open, fmt.Sprintf("%s (%s)", r.What, r.Got))
	default:
		if r.Got == "" && e.loose && e.inDoubt {
			r.Fault = "the line was away when the unit printed it"
			e.unseen++
		}
		e.differs++
	}
}

const notPrinted = "the unit did not print it"

func compare(kind script.ValueKind, got, want string) (bool, string) {
	if got == "" {
		return false, notPrinted
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
