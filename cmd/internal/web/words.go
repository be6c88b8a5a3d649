package web

import (
	"fmt"
	"html/template"
	"net/url"
	"path"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/draw"
	"linehand/transcript"
)

func (s *site) functions() template.FuncMap {
	return template.FuncMap{
		"plain": transcript.Printable, "sentence": sentence,
		"state": stateWord, "mark": stateMark, "choice": choiceWord, "stageWord": stageWord, "stageMark": stageMark,
		"left": leftWords, "took": tookWords, "clock": clock, "day": day, "stamp": stamp, "iso": iso,
		"line": linePath, "record": recordPath, "onLine": onLine, "ofRecord": ofRecord, "esc": url.PathEscape,
		"id": elementID, "percent": percent, "name": nameOf, "count": counted,
		"size": sizeWords, "safe": safeURL, "stateText": func(st string) string { return stateWord(bench.State(st)) },
		"patterns": func() template.HTML { return template.HTML(draw.Patterns) },
	}
}

// sentence is text that begins with a capital, as a paragraph of its own.
func sentence(text string) string {
	text = transcript.Printable(text)
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// stateWord is a state in people's words.
func stateWord(st bench.State) string {
	switch st {
	case bench.Absent:
		return "not plugged in"
	case bench.Resting:
		return "at rest"
	case bench.Listening:
		return "listening"
	case bench.Unmatched:
		return "which unit is it?"
	case bench.Matched:
		return "recognised"
	case bench.Playing:
		return "playing"
	case bench.Holding:
		return "on hold"
	case bench.Taken:
		return "taken over"
	case bench.Finished:
		return "finished"
	case bench.Busy:
		return "in use elsewhere"
	}
	return transcript.Printable(string(st))
}

// stateMark names the shape of a state: each has its own, so that it can be
// told without colour.
func stateMark(st bench.State) string {
	switch st {
	case bench.Absent, bench.Resting, bench.Listening, bench.Unmatched, bench.Matched, bench.Playing, bench.Taken, bench.Finished, bench.Busy:
		return string(st[:3])
	case bench.Holding:
		return "hold"
	}
	return "lis"
}

func choiceWord(c string) string {
	switch c {
	case "type":
		return "Type by hand"
	case "again":
		return "Look again"
	case "go-to":
		return "Go on at another stage"
	case "confirm":
		return "The chassis is the right one"
	case "give-up":
		return "Give up"
	}
	return transcript.Printable(c)
}

func stageWord(state string) string {
	switch state {
	case "ahead":
		return "to come"
	case "entered":
		return "begun"
	case "unseen":
		return "not witnessed"
	}
	return transcript.Printable(state)
}

func stageMark(state string) string {
	switch state {
	case "done":
		return "fin"
	case "entered":
		return "pla"
	case "refused":
		return "hold"
	case "unseen", "left out":
		return "res"
	}
	return "abs"
}

// leftWords is a time that is likely to be left.
func leftWords(seconds float64) string {
	switch {
	case seconds <= 0:
		return ""
	case seconds < 60:
		return "less than a minute left"
	case seconds < 90:
		return "about a minute left"
	case seconds < 90*60:
		return fmt.Sprintf("about %.0f minutes left", seconds/60)
	}
	return fmt.Sprintf("about %.1f hours left", seconds/3600)
}

// tookWords is how long something took.
func tookWords(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%d ms", d.Milliseconds())
	case d < time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	d = d.Round(time.Second)
	if d < time.Hour {
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

func clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format("15:04:05")
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02 15:04")
}

func stamp(t time.Time) string { return t.Format("2006-01-02 15:04:05 -07:00") }

func iso(t time.Time) string { return t.Format(time.RFC3339) }

// linePath is the page of a line. An identity may have slashes in it.
func linePath(id string) string { return "/lines/" + url.PathEscape(id) }

func recordPath(name string) string { return "/records/" + url.PathEscape(name) }

// onLine is an operation of the API on a line.
func onLine(id, what string) string {
	return strings.TrimSuffix("/api/lines/"+url.PathEscape(id)+"/"+what, "/")
}

func ofRecord(name, what string) string {
	return strings.TrimSuffix("/api/records/"+url.PathEscape(name)+"/"+what, "/")
}

// elementID is an id in a document for something with any name.
func elementID(kind, name string) string {
	var b strings.Builder
	b.WriteString(kind + "-")
	for _, c := range []byte(name) {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "_%02x", c)
		}
	}
	return b.String()
}

// percent is how far a run has come, from 0 to 100: by its time where there is
// an estimate, else by its stages.
func percent(l bench.Line, now time.Time) int {
	if l.State == bench.Finished {
		return 100
	}
	p := 0.0
	if gone := now.Sub(l.Begun).Seconds(); l.Left > 0 && !l.Begun.IsZero() && gone > 0 {
		p = 100 * gone / (gone + l.Left)
	} else if l.Of > 0 && l.No > 0 {
		p = 100 * float64(l.No-1) / float64(l.Of)
	}
	return max(0, min(99, int(p)))
}

// nameOf is what people call a line.
func nameOf(l bench.Line) string {
	switch {
	case l.Label != "":
		return l.Label
	case l.Device != "":
		return l.Device
	}
	kind, rest, found := strings.Cut(l.ID, ":")
	if found && strings.ContainsRune(rest, '/') {
		return kind + ":…/" + path.Base(rest)
	}
	return l.ID
}

func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// sizeWords is a size of a file.
func sizeWords(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d bytes", n)
	case n < 1000*1000:
		return fmt.Sprintf("%.0f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// safeURL tells whether another bench's address may be linked to.
func safeURL(text string) bool {
	u, err := url.Parse(text)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != ""
}
