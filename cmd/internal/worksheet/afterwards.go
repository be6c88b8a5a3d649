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
	waiting, err := waiting(u, values, talks.First)
	if err != nil {
		return nil, err
	}
	out := []Section{waiting}
	for _, part := range []struct {
		called string
		d      *script.Dialogue
	}{{"Set-up: ", talks.SetUp}, {"Proof: ", talks.Proof}} {
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
func waiting(u *plan.Unit, values script.Values, d *script.Dialogue) (Section, error) {
	s := Section{Title: "Waiting"}
	if wait := u.Facts.Times.Waiting.Value; wait > 0 {
		s.Rows = append(s.Rows, Row{Do: "The unit has finished by itself, and its indicators show it", Value: "takes about " + span(wait), Words: true})
	}
	looks, err := steps.Looks(d, values)
	if err != nil {
		return s, err
	}
	for _, l := range looks {
		by := strings.ToUpper(l.By)
		if l.Port > 0 {
			by += fmt.Sprintf(", port %d", l.Port)
		}
		s.Rows = append(s.Rows, Row{Do: l.What + " answers", Value: l.Address.String(), Note: "by " + by})
	}
	return s, nil
}
