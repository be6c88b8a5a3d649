package replay

import (
	"fmt"

	"linehand/transcript"
)

// ofVisit is an event that only visits have in one line, with its mark; ""
// for other events.
func ofVisit(e transcript.Event) (mark, text string) {
	switch e.Kind {
	case transcript.Phase:
		return partMark, join("part "+e.Name, e.State, e.Text, e.Code, e.Next)
	case transcript.Step:
		return stepMark(e.State), join("step "+e.Name, e.State, e.By, e.Got, e.Text, prefixed("good: ", e.Want), prefixed("caution: ", e.Next))
	case transcript.Look:
		return lookMark, join("look at "+e.Name, e.State, e.Code, e.Got, e.Text)
	case transcript.Punch:
		state := e.State
		if state == "" {
			state = "open"
		}
		return punchMark, join("point "+state, e.Text, prefixed("by ", e.By), prefixed("until ", e.Next))
	case transcript.SignOff:
		return signMark, join("signed off", e.By, e.Text)
	}
	return "", ""
}

func stepMark(state string) string {
	switch state {
	case transcript.Ticked:
		return "✓"
	case transcript.NotGood:
		return "✗"
	}
	return "○"
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

// places walks over where a record can be begun to be shown from: parts of a
// visit, and stages. name is as it is asked for, full with the part.
func places(events []transcript.Event, each func(i int, name, full string) bool) {
	part := ""
	for i, e := range events {
		name, full := e.Name, e.Name
		switch {
		case e.Kind == transcript.Phase && e.State == transcript.Begun:
			part = e.Name
		case e.Kind == transcript.Phase:
			part = ""
			continue
		case e.Kind == transcript.Stage && e.State == "entered":
			if part != "" {
				full = part + ": " + name
			}
		default:
			continue
		}
		if !each(i, name, full) {
			return
		}
	}
}

// begins is where the stage or part of that name begins; -1 for nowhere.
// known are all names.
func begins(events []transcript.Event, name string) (at int, known []string) {
	at = -1
	places(events, func(i int, short, full string) bool {
		if short == name || full == name {
			at = i
			return false
		}
		known = append(known, fmt.Sprintf("%q", full))
		return true
	})
	return at, known
}
