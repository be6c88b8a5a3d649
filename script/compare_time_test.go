package script

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func at(t testing.TB, text string) time.Time {
	t.Helper()
	moment, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return moment
}

func TestCompareTime(t *testing.T) {
	const london, madrid = "Europe/London", "Europe/Madrid"
	for _, tt := range []struct {
		got, heard, zone string
		want             bool
		fault            string
	}{
		// Examples of RFC 3339 5.8 and its notes, each at its moment in UTC.
		{"1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50Z", london, true, ""},
		{"1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z", london, true, ""},
		{"1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27Z", london, true, ""},
		{"1985-04-12t23:20:50z", "1985-04-12T23:20:50Z", london, true, ""},
		{"1985-04-12 23:20:50Z", "1985-04-12T23:20:50Z", london, true, ""},
		// Of RFC 5322 A.1.1 and A.6.2 (the date; A.6.2's day is its own).
		{"Fri, 21 Nov 1997 09:55:06 -0600", "1997-11-21T15:55:06Z", "", true, ""},
		// Common practice, no source.
		{"2026-11-25 16:02:57 UTC", "2026-11-25T16:02:57Z", madrid, true, ""},
		{"Wed Nov 25 16:02:57 UTC 2026", "2026-11-25T16:02:57Z", madrid, true, ""},
		{"Wed Nov 25 17:02:57 CET 2026", "2026-11-25T16:02:57Z", madrid, true, ""},
		{"Sat Nov  7 16:02:57 2026", "2026-11-07T16:02:57Z", london, true, ""},
		{"2026-11-25 17:02:57", "2026-11-25T16:02:57Z", madrid, true, ""},
		{"2026-11-25 16:02:57", "2026-11-25T16:02:57Z", madrid, false, ""},
		{"2026-11-25 16:02:57", "2026-11-25T16:02:57Z", "", true, ""},
		{"2026-07-01 16:02:57", "2026-07-01T15:02:57Z", london, true, ""},
		{"16:02:57 UTC Wed Nov 25 2026", "2026-11-25T16:02:57Z", london, true, ""},
		{"2026-11-25 16:02", "2026-11-25T16:04:59Z", "", true, ""},
		{"2026-11-25 16:02", "2026-11-25T16:05:00Z", "", false, ""},
		// Within two minutes, and just not.
		{"2026-11-25T16:00:57Z", "2026-11-25T16:02:57Z", "", true, ""},
		{"2026-11-25T16:00:57Z", "2026-11-25T16:02:58Z", "", false, ""},
		{"2026-11-25T16:04:57Z", "2026-11-25T16:02:57Z", "", true, ""},
		{"2026-11-25T16:04:58Z", "2026-11-25T16:02:57Z", "", false, ""},
		{"2026-11-24T16:02:57Z", "2026-11-25T16:02:57Z", "", false, ""},
		{"2025-11-25T16:02:57Z", "2026-11-25T16:02:57Z", "", false, ""},
		// The hour that comes twice: either is meant.
		{"2026-10-25 01:30:00", "2026-10-25T00:30:00Z", london, true, ""},
		{"2026-10-25 01:30:00", "2026-10-25T01:30:00Z", london, true, ""},
		{"2026-10-25 01:30:00", "2026-10-25T02:30:00Z", london, false, ""},
		{"2026-10-26 01:30:00", "2026-10-26T00:30:00Z", london, false, ""},
		// What cannot be told is not guessed.
		{"11/12/2026 16:02:57", "2026-11-12T16:02:57Z", "", false, "is not a date with its time"},
		{"16:02:57", "2026-11-12T16:02:57Z", "", false, "is not a date with its time"},
		{"2026-02-30T16:02:57Z", "2026-03-02T16:02:57Z", "", false, "is not a date with its time"},
		{"Tue Nov 25 16:02:57 UTC 2026", "2026-11-25T16:02:57Z", "", false, "a day of the week that its date does not fall on"},
		{"2026-11-25 16:02:57 CST", "2026-11-25T16:02:57Z", london, false, "has the zone CST, which is not one of the site's"},
		{"2026-11-25 16:02:57", "2026-11-25T16:02:57Z", "Europe/Nowhere", false, `time zone "Europe/Nowhere" is not known`},
	} {
		got, err := CompareTime(tt.got, at(t, tt.heard), 2*time.Minute, tt.zone)
		if got != tt.want || (err == nil) != (tt.fault == "") || err != nil && !strings.Contains(err.Error(), tt.fault) {
			t.Errorf("%q heard at %s in %q: %v, %v; want %v, %q", tt.got, tt.heard, tt.zone, got, err, tt.want, tt.fault)
		}
	}
}

// TestEachFormTells: in each form, any moment is itself, and is neither a day
// nor twice the allowance off.
func TestEachFormTells(t *testing.T) {
	zones := []string{"", "Europe/London", "Europe/Madrid", "Asia/Kolkata", "Australia/Lord_Howe", "Pacific/Apia"}
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom(zones).Draw(t, "zone")
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		moment := time.Unix(rapid.Int64Range(946684800, 4102444799).Draw(t, "moment"), 0).In(loc) // 2000 to 2099
		form := rapid.SampledFrom(clockForms).Draw(t, "form")
		if strings.Contains(form.layout, "MST") {
			moment = moment.UTC()
		}
		const within = 5 * time.Minute
		off := time.Duration(rapid.Int64Range(-int64(within), int64(within)).Draw(t, "off"))
		text := moment.Format(form.layout)
		for _, tt := range []struct {
			heard time.Time
			want  bool
		}{{moment, true}, {moment.Add(off), true}, {moment.AddDate(0, 0, 1), false}, {moment.Add(-24 * time.Hour), false}, {moment.Add(2*within + time.Minute), false}, {moment.Add(-2*within - time.Minute), false}} {
			if got, err := CompareTime(text, tt.heard, within, zone); err != nil || got != tt.want {
				t.Fatalf("%q heard at %s: %v, %v; want %v", text, tt.heard, got, err, tt.want)
			}
		}
	})
}

// FuzzCompareTime: any text is a time or is not, and none is two.
func FuzzCompareTime(f *testing.F) {
	for _, form := range clockForms {
		f.Add(time.Unix(1795622577, 0).UTC().Format(form.layout), "Europe/London")
	}
	heard := time.Unix(1795622577, 0)
	f.Fuzz(func(t *testing.T, text, zone string) {
		now, err := CompareTime(text, heard, time.Minute, zone)
		later, _ := CompareTime(text, heard.Add(90*24*time.Hour), time.Minute, zone)
		if now && later || now && err != nil {
			t.Fatalf("%q is true at two times, or with %v", text, err)
		}
	})
}
