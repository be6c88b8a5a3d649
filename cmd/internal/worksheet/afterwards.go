package worksheet

import (
	"fmt"
	"strings"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/site"
	"linehand/script/steps"
)

// afterwards is what follows the first boot: waiting until the unit serves,
// the rest of the settings, and the proof that all of them hold.
func afterwards(u *plan.Unit, values script.Values, talks Talks) ([]Section, error) {
	var out []Section
	for i, part := range []struct {
		serves *script.Dialogue // says what must answer before it
		called string
		d      *script.Dialogue
	}{{talks.First, "Set-up: ", talks.SetUp}, {talks.SetUp, "Proof: ", talks.Proof}} {
		wait, err := waiting(part.serves, values)
		if err != nil {
			return nil, err
		}
		if took := u.Facts.Times.Waiting.Value; took > 0 && i == 0 {
			wait.Rows = append([]Row{{Do: "The unit has finished by itself, and its indicators show it", Value: "takes about " + span(took), Words: true}}, wait.Rows...)
		}
		out = append(out, wait)
		if part.d == nil {
			continue
		}
		sections, err := stages(values, part.d, part.called)
		if err != nil {
			return nil, err
		}
		if u.Reach == site.OverSSH && len(sections) > 0 {
			sections[0].Notes = append([]string{fmt.Sprintf("Over SSH, port %d, as %s; the host key is compared with the one that the console has printed.", u.SSH.Port, u.SSH.User)}, sections[0].Notes...)
		}
		out = append(out, sections...)
	}
	return out, nil
}

// waiting is until the unit serves: what must answer, and from where.
func waiting(d *script.Dialogue, values script.Values) (Section, error) {
	s := Section{Title: "Waiting"}
	looks, err := steps.Looks(d, values)
	if err != nil {
		return s, err
	}
	for _, l := range looks {
		if d.Serves.Within > 0 && len(s.Notes) == 0 {
			s.note("Over within " + span(d.Serves.Within) + ".")
		}
		by := strings.ToUpper(l.By)
		if l.Port > 0 {
			by += fmt.Sprintf(", port %d", l.Port)
		}
		s.Rows = append(s.Rows, Row{Do: l.What + " answers", Value: l.Address.String(), Note: "by " + by})
	}
	return s, nil
}
