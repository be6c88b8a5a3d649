package sums

import (
	"fmt"
	"strings"
	"time"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/disk"
	"linehand/script/site"
)

// Way is a way to begin to serve from storage that has just been made.
type Way struct {
	Serve string        `json:"serve"`    // site.AtOnce or site.AfterCheck
	Check time.Duration `json:"check_ns"` // how long the check takes, at least; 0: the rate is not stated
	Risks []disk.Note   `json:"risks"`
}

const commonPractice = "common practice, no source"

// serveOf is when a unit is planned to serve.
func serveOf(u *plan.Unit) string {
	v, _ := u.Values["storage"].(script.StorageValues)
	return v.Serve
}

// ways says what either way risks. The check reads, or writes, every drive
// from end to end, all of them at once.
func ways(f disk.Figures, d site.Drives) []Way {
	long := "as long as the check takes, which cannot be reckoned: verify-mb-s of the drives is not stated"
	from := commonPractice
	if f.Verify > 0 {
		long = fmt.Sprintf("at least %s (%s at %d MB/s, all drives at once)", spell(f.Verify), d.Size.Text, d.VerifyMBps.Value)
		from = "arithmetic, from the stated rate"
	}
	atOnce := []disk.Note{{Text: "a drive that came faulty shows it when it holds data already, and not before", Source: commonPractice}}
	if f.Certain > 0 {
		atOnce = append(atOnce, disk.Note{
			Text:   fmt.Sprintf("until the check has ended nothing proves that the data bears %s: one that fails before may take data with it", drives(f.Certain)),
			Source: commonPractice,
		})
	}
	return []Way{
		{site.AtOnce, f.Verify, append(atOnce, disk.Note{
			Text: "the check and the data slow each other down, for " + long, Source: "md(4): recovery is slowed down while there is other activity"})},
		{site.AfterCheck, f.Verify, []disk.Note{
			{Text: "no data can be taken for " + long, Source: from},
			{Text: "the visit ends open, and someone has to look again once the check has ended: linehand proof closes it", Source: commonPractice},
		}},
	}
}

func drives(n int) string {
	if n == 1 {
		return "the failure of one drive"
	}
	return fmt.Sprintf("the failure of %d drives", n)
}

// spell writes a time in hours and minutes, as people say it.
func spell(d time.Duration) string {
	d = d.Round(time.Minute)
	h, m := int64(d/time.Hour), int64(d%time.Hour/time.Minute)
	if h == 0 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}

// serveFindings tells what a unit that is to serve at once takes upon it.
func (w *work) serveFindings(u *plan.Unit, d Disks) {
	if d.Chosen.Verify == 0 {
		w.leaveOpen("the verify rate of the drives of kind %s is not stated: how long their check takes was not reckoned; write drives: {verify-mb-s: …}", u.Kind)
	}
	if d.Serve != site.AtOnce {
		return
	}
	texts := make([]string, len(d.Ways[0].Risks))
	for i, r := range d.Ways[0].Risks {
		texts[i] = r.Text
	}
	w.report(plan.Note, u.Sources["storage.serve"], fmt.Sprintf("%s is to serve before its check has ended: %s", u.Name, strings.Join(texts, "; ")),
		commonPractice, "write serve: after the check where the data cannot be lost")
}
