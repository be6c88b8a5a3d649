package station

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"linehand/transcript"
)

type known map[string]string

func (k known) Secret(name string) (string, error) {
	if v, ok := k[name]; ok {
		return v, nil
	}
	return "", fmt.Errorf("no secret %s", name)
}

// What a run that was cut off may have left typed at the unit: what was to be
// typed is on record before it is sent, and Enter too.
func TestReadCut(t *testing.T) {
	text := func(s string) []transcript.Part { return []transcript.Part{{Bytes: []byte(s)}} }
	answer := transcript.Event{Why: "answer", Data: text("deep-2")}
	secret := transcript.Event{Why: "answer", Data: []transcript.Part{{Secret: "admin"}}}
	enter := transcript.Event{Why: "enter", Data: text("\r")}
	heard := transcript.Event{Kind: transcript.Heard, Data: text("\r\n")}
	for name, test := range map[string]struct {
		events []transcript.Event
		want   int
	}{
		"nothing was typed":          {nil, 0},
		"an answer":                  {[]transcript.Event{answer}, 6},
		"an answer and its echo":     {[]transcript.Event{answer, heard}, 6},
		"Enter may not have left":    {[]transcript.Event{answer, heard, enter}, 6},
		"the unit has gone on":       {[]transcript.Event{answer, heard, enter, heard}, 0},
		"the next answer":            {[]transcript.Event{answer, enter, heard, secret}, 13},
		"erased, perhaps":            {[]transcript.Event{answer, {Why: "erase", Data: text("\b\b")}}, 6},
		"a key":                      {[]transcript.Event{{Why: "key", Data: text(" ")}}, 1},
		"typed by hand":              {[]transcript.Event{{Why: "hand", Data: text("abc")}}, 3},
		"typed by hand, and entered": {[]transcript.Event{{Why: "hand", Data: text("abc")}, {Why: "hand", Text: "Enter", Data: text("\r")}, heard}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "x.record")
			j, err := transcript.Create(path, transcript.Header{Unit: "deep-2"}, nil)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range test.events {
				if e.Kind == transcript.Heard {
					err = j.Heard(time.Now(), e.Data[0].Bytes)
				} else {
					err = j.Say(e)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			c, err := ReadCut(path, known{"admin": "tide-table-42"})
			if err != nil || c.Ending != nil || c.Standing != test.want {
				t.Errorf("got %+v, %v; want %d standing", c, err, test.want)
			}
		})
	}
}
