package station

import (
	"unicode/utf8"

	"linehand/script/player"
	"linehand/transcript"
)

// Cut is what a record tells of a run that may have been cut off.
type Cut struct {
	Ending *transcript.Event // nil: the run did not come to its end
	// Standing is how many characters the run may have left typed at the unit
	// and not entered.
	Standing int
}

// ReadCut reads the record at path as far as it is whole. Secrets tells the
// lengths of what was typed, which the record does not.
func ReadCut(path string, secrets player.Secrets) (Cut, error) {
	rec, err := transcript.Read(path)
	if err != nil {
		return Cut{}, err
	}
	var c Cut
	entered := false // Enter was the last thing said
	for i, e := range rec.Events {
		switch e.Kind {
		case transcript.Ending:
			c.Ending = &rec.Events[i]
		case transcript.Heard:
			if entered {
				c.Standing = 0 // the unit has gone on
			}
		case transcript.Said:
			entered = e.Why == "enter" || e.Why == "hand" && e.Text == "Enter"
			switch {
			case entered:
			case e.Why == "answer" || e.Why == "hand":
				c.Standing += length(e.Data, secrets)
			case e.Why == "key" || e.Why == "erase":
				// It may not have reached the unit: once more does no harm.
				c.Standing = max(c.Standing, 1)
			}
		}
	}
	return c, nil
}

func length(data []transcript.Part, secrets player.Secrets) int {
	n := 0
	for _, part := range data {
		if part.Secret == "" {
			n += utf8.RuneCount(part.Bytes)
			continue
		}
		const unknown = 8 // keys typed by hand are recorded a burst at a time
		if value, err := secrets.Secret(part.Secret); err == nil {
			n += utf8.RuneCountInString(value)
		} else {
			n += unknown
		}
	}
	return n
}
