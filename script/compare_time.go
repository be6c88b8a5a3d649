package script

import (
	"fmt"
	"strings"
	"time"
)

// clockForm is one way in which units print a date with its time.
type clockForm struct {
	layout string
	zoned  bool          // the print says its zone
	place  time.Duration // worth of the last digit
}

// clockForms are tried in this order. Fractions of a second may follow the
// seconds of each. Sources: RFC 3339 5.6 (with its note on a blank for T),
// ISO 8601 without a zone, RFC 5322 3.3, the asctime and date forms of
// POSIX.1-2017; the others are common practice, no source. A date in digits
// with the year last is in none of them: its day and month cannot be told
// apart. Distances from UTC in digits come before zones by letters: the
// library takes +0100 for letters too.
var clockForms = []clockForm{
	{"2006-01-02T15:04:05Z07:00", true, time.Second},
	{"2006-01-02 15:04:05Z07:00", true, time.Second},
	{"2006-01-02T15:04:05Z0700", true, time.Second},
	{"2006-01-02 15:04:05 Z07:00", true, time.Second},
	{"2006-01-02 15:04:05 Z0700", true, time.Second},
	{"2006-01-02 15:04:05 MST", true, time.Second},
	{"2006-01-02T15:04:05", false, time.Second},
	{"2006-01-02 15:04:05", false, time.Second},
	{"2006-01-02 15:04", false, time.Minute},
	{"2006/01/02 15:04:05 MST", true, time.Second},
	{"2006/01/02 15:04:05", false, time.Second},
	{"Mon Jan 2 15:04:05 -0700 2006", true, time.Second},
	{"Mon Jan 2 15:04:05 MST 2006", true, time.Second},
	{"Mon Jan 2 15:04:05 2006", false, time.Second},
	{"Mon, 2 Jan 2006 15:04:05 -0700", true, time.Second},
	{"Mon, 2 Jan 2006 15:04:05 MST", true, time.Second},
	{"Mon 2 Jan 2006 15:04:05 MST", true, time.Second},
	{"2 Jan 2006 15:04:05 -0700", true, time.Second},
	{"2 Jan 2006 15:04:05 MST", true, time.Second},
	{"2 Jan 2006 15:04:05", false, time.Second},
	{"15:04:05 -0700 Mon Jan 2 2006", true, time.Second},
	{"15:04:05 MST Mon Jan 2 2006", true, time.Second},
}

// CompareTime tells whether a unit's clock was within so much of the clock
// of the bench at the moment when its print was heard. A print without a
// zone is in the named one, an IANA name; where that is "", in UTC. A print
// that says no seconds is met by any second of its minute.
func CompareTime(got string, heard time.Time, within time.Duration, zone string) (bool, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return false, fmt.Errorf("the site's time zone %q is not known", clip(zone))
	}
	text := strings.Join(strings.Fields(got), " ")
	for _, form := range clockForms {
		at, err := time.ParseInLocation(form.layout, upperMarks(text), loc)
		if err != nil {
			continue
		}
		if err := plausible(text, at, form, loc); err != nil {
			return false, fmt.Errorf("what the unit printed, %q, %w", clip(got), err)
		}
		for _, at := range both(at, form, loc) {
			if off := heard.Sub(at); off >= -within && off < form.place+within {
				return true, nil
			}
		}
		return false, nil
	}
	return false, fmt.Errorf("what the unit printed, %q, is not a date with its time such as 2026-11-25T16:02:57Z", clip(got))
}

// upperMarks writes the T and Z of RFC 3339 in capitals; small ones are
// allowed there (5.6).
func upperMarks(text string) string {
	if len(text) > 11 && text[4:5] == "-" && text[10] == 't' {
		text = text[:10] + "T" + text[11:]
	}
	if body, ok := strings.CutSuffix(text, "z"); ok {
		text = body + "Z"
	}
	return text
}

// plausible refuses what only looks like a time: a day of the week that the
// date does not fall on, and a zone whose distance from UTC nobody knows
// (CST is three of them).
func plausible(text string, at time.Time, form clockForm, loc *time.Location) error {
	if strings.Contains(form.layout, "Mon") && !strings.Contains(text, at.Format("Mon")) {
		return fmt.Errorf("names a day of the week that its date does not fall on")
	}
	if !strings.Contains(form.layout, "MST") {
		return nil
	}
	name, off := at.Zone()
	if name == "UTC" || name == "GMT" && off == 0 || at.Location() == loc {
		return nil
	}
	return fmt.Errorf("has the zone %s, which is not one of the site's: have the unit show UTC or its distance from UTC", clip(name))
}

// both gives the two moments of a print that says no zone in the hour that
// comes twice when summer time ends, and else the one.
func both(at time.Time, form clockForm, loc *time.Location) []time.Time {
	list := []time.Time{at}
	if form.zoned {
		return list
	}
	const wall = "2006-01-02 15:04:05.999999999"
	for _, shift := range []time.Duration{-time.Hour, -30 * time.Minute, 30 * time.Minute, time.Hour} {
		if other := at.Add(shift).In(loc); other.Format(wall) == at.Format(wall) {
			list = append(list, other)
		}
	}
	return list
}
