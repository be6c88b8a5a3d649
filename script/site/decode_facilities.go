package site

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
)

func (d *decoder) rack(v *yamlwalk.Value) Rack {
	r := Rack{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Title: textOf(v, "title"), UnitsHigh: numberOf(v, "units-high"),
		LoadKg: decimalOf(v, "load-kg"), FloorMm: numberOf(v, "floor-mm"), DepthMm: numberOf(v, "depth-mm"), Feeds: textsOf(v, "feeds"),
	}
	d.need(v, "units-high", fmt.Sprintf("the rack %q", r.Name.Value))
	return r
}

func (d *decoder) feed(v *yamlwalk.Value) Feed {
	f := Feed{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Title: textOf(v, "title"), Volts: numberOf(v, "volts"),
		Phases: numberOf(v, "phases"), BreakerA: decimalOf(v, "breaker-a"), Code: textOf(v, "code"),
	}
	called := fmt.Sprintf("the feed %q", f.Name.Value)
	d.need(v, "volts", called)
	d.need(v, "breaker-a", called)
	return f
}

func (d *decoder) place(v *yamlwalk.Value) Place {
	if v == nil {
		return Place{}
	}
	d.need(v, "rack", "the unit's place")
	return Place{Pos: script.Pos(v.Pos), Rack: textOf(v, "rack"), At: numberOf(v, "at"), Side: textOf(v, "side")}
}

func cordsOf(v *yamlwalk.Value) []Cord {
	var out []Cord
	for _, e := range entriesOf(v, "cords") {
		n, _ := strconv.Atoi(e.Key) // checked with the shape
		to, pair := e.Value.Text, ""
		if at := strings.LastIndexByte(to, '/'); at > 0 && slices.Contains(pairs(), to[at+1:]) {
			to, pair = to[:at], to[at+1:]
		}
		out = append(out, Cord{Supply: n, Pos: script.Pos(e.Pos), To: Text{to, script.Pos(e.Value.Pos)}, Pair: pair})
	}
	slices.SortFunc(out, func(a, b Cord) int { return cmp.Compare(a.Supply, b.Supply) })
	return out
}

func factsOf(v *yamlwalk.Value) Facts {
	times, limits := v.Get("times"), v.Get("limits")
	return Facts{
		HeightU: numberOf(v, "height-u"), WeightKg: decimalOf(v, "weight-kg"), DepthMm: numberOf(v, "depth-mm"),
		Watts: numberOf(v, "watts"), PowerFactor: decimalOf(v, "power-factor"), Supplies: numberOf(v, "supplies"),
		Inlet: textOf(v, "inlet"), Outlets: numberOf(v, "outlets"), Drives: drivesOf(v.Get("drives")),
		Times:  Times{durationOf(times, "boot"), durationOf(times, "waiting"), durationOf(times, "by-hand")},
		Limits: Limits{limitOf(limits, "name"), limitOf(limits, "cluster"), limitOf(limits, "secret")},
	}
}

func limitOf(limits *yamlwalk.Value, key string) Limit {
	v := limits.Get(key)
	length, letters := textOf(v, "length"), textOf(v, "letters")
	least, most := lengthOf(length.Value)
	return Limit{Least: least, Most: most, Length: length.Pos, Letters: Letters{letters, lettersOf(letters.Value)}}
}

func drivesOf(v *yamlwalk.Value) Drives {
	if v == nil {
		return Drives{}
	}
	size := textOf(v, "size")
	bytes, _ := sizeOf(size.Value)
	return Drives{
		Pos: script.Pos(v.Pos), Count: numberOf(v, "count"), Size: Size{bytes, size.Value, size.Pos},
		WeightKg: decimalOf(v, "weight-kg"), InterfaceMBps: numberOf(v, "interface-mb-s"),
		RebuildMBps: numberOf(v, "rebuild-mb-s"), VerifyMBps: numberOf(v, "verify-mb-s"),
		Unreadable: unreadableOf(textOf(v, "unreadable")), MTTFHours: numberOf(v, "mttf-h"),
	}
}

func unreadableOf(t Text) Decimal {
	m := unreadableForm.FindStringSubmatch(t.Value)
	if m == nil {
		return Decimal{Pos: t.Pos}
	}
	n, _ := strconv.Atoi(m[1])
	return Decimal{math.Pow10(-n), t.Pos}
}

func storageOf(v *yamlwalk.Value) Storage {
	if v == nil {
		return Storage{}
	}
	return Storage{
		Pos: script.Pos(v.Pos), Layout: textOf(v, "layout"), Groups: numberOf(v, "groups"),
		Spares: numberOf(v, "spares"), Use: numberOf(v, "use"), Serve: textOf(v, "serve"),
	}
}

func sshOf(v *yamlwalk.Value) SSH {
	if v == nil {
		return SSH{}
	}
	return SSH{
		Pos: script.Pos(v.Pos), User: textOf(v, "user"), Role: textOf(v, "role"), Port: numberOf(v, "port"),
		OlderAlgorithms: textsOf(v, "older-algorithms"),
	}
}

func visitOf(v *yamlwalk.Value) Visit {
	if v == nil {
		return Visit{}
	}
	return Visit{
		Pos: script.Pos(v.Pos), Technicians: numberOf(v, "technicians"), Lines: numberOf(v, "lines"), Steps: textOf(v, "steps"),
		Required: textsOf(v, "required"), Advisory: textsOf(v, "advisory"), Without: textsOf(v, "without"),
	}
}

func rangesOf(v *yamlwalk.Value, key string) []Range {
	var out []Range
	for _, t := range textsOf(v, key) {
		first, last, _ := rangeOf(t.Value) // checked with the shape
		out = append(out, Range{t, first, last})
	}
	return out
}

func decimalOf(v *yamlwalk.Value, key string) Decimal {
	t := textOf(v, key)
	n, _ := strconv.ParseFloat(t.Value, 64) // checked with the shape
	return Decimal{n, t.Pos}
}

func durationOf(v *yamlwalk.Value, key string) Duration {
	t := textOf(v, key)
	d, _ := time.ParseDuration(t.Value) // checked with the shape
	return Duration{d, t.Pos}
}
