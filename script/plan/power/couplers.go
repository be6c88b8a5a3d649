package power

import "strings"

// Coupler is an appliance coupler, or a plug and its socket.
type Coupler struct {
	Name    string  // "C13/C14"; CouplerNamed finds either half
	Rated   float64 // A
	RatedNA float64 // A in North America
	Volts   float64 // at most
	Celsius float64 // of the pins, at most; 0: not stated here
	Source  string
}

// Amps is the rating under a code.
func (c Coupler) Amps(code Code) float64 {
	if code == IEC {
		return c.Rated
	}
	return c.RatedNA
}

// Couplers are those known here. Ratings of IEC 60320 are as quoted by makers'
// and standards' pages that agree; those marked so are from memory.
func Couplers() []Coupler {
	const (
		quoted = "IEC 60320-1, as quoted; North American ratings differ"
		memory = "from memory: read the rating on the part"
	)
	return []Coupler{
		{"C13/C14", 10, 15, 250, 70, quoted},
		{"C15/C16", 10, 15, 250, 120, quoted + " (North America: from memory)"},
		{"C19/C20", 16, 20, 250, 70, quoted},
		{"C5/C6", 2.5, 2.5, 250, 70, memory},
		{"C7/C8", 2.5, 2.5, 250, 70, memory},
		{"C21/C22", 16, 20, 250, 155, memory},
		{"IEC 60309 16 A", 16, 20, 415, 0, memory},
		{"IEC 60309 32 A", 32, 30, 415, 0, memory},
		{"IEC 60309 63 A", 63, 60, 415, 0, memory},
		{"NEMA 5-15", 15, 15, 125, 0, memory},
		{"NEMA 5-20", 20, 20, 125, 0, memory},
		{"NEMA L5-20", 20, 20, 125, 0, memory},
		{"NEMA L5-30", 30, 30, 125, 0, memory},
		{"NEMA L6-20", 20, 20, 250, 0, memory},
		{"NEMA L6-30", 30, 30, 250, 0, memory},
		{"NEMA L15-30", 30, 30, 250, 0, memory},
		{"NEMA L21-30", 30, 30, 208, 0, memory},
	}
}

var couplers = Couplers()

// CouplerNamed finds a coupler by its name or by one half of it, capitals or
// not: "C13", "c14" and "C13/C14" are the same.
func CouplerNamed(name string) (Coupler, bool) {
	for _, c := range couplers {
		if strings.EqualFold(c.Name, name) {
			return c, true
		}
		if one, two, ok := strings.Cut(c.Name, "/"); ok && (strings.EqualFold(one, name) || strings.EqualFold(two, name)) {
			return c, true
		}
	}
	return Coupler{}, false
}
