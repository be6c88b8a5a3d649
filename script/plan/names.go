package plan

import (
	"fmt"
	"net/netip"
	"strings"
)

const hostNameSource = "RFC 952 and RFC 1123 2.1"

// hostNameFault tells why a text cannot be a host name; "" when it can.
// Lengths are those of RFC 1035 2.3.4; 253 characters of text are what 255
// octets on the wire leave.
func hostNameFault(name string) string {
	text := strings.TrimSuffix(name, ".")
	if _, err := netip.ParseAddr(text); err == nil {
		return "it is an address, not a name"
	}
	if len(text) > 253 {
		return fmt.Sprintf("it has %d characters, and 253 is the most", len(text))
	}
	labels := strings.Split(text, ".")
	for _, label := range labels {
		if fault := labelFault(label); fault != "" {
			return fault
		}
	}
	if last := labels[len(labels)-1]; len(labels) > 1 && strings.Trim(last, "0123456789") == "" {
		return "its last part is a number, so it reads like an address"
	}
	return ""
}

func labelFault(label string) string {
	switch {
	case label == "":
		return "a part of it is empty"
	case len(label) > 63:
		return fmt.Sprintf("a part of it has %d characters, and 63 is the most", len(label))
	case label[0] == '-' || label[len(label)-1] == '-':
		return "a part of it starts or ends with a hyphen"
	}
	for _, r := range label {
		if r > 0x7f || r != '-' && !('0' <= r && r <= '9' || 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z') {
			return fmt.Sprintf("it holds %q, and only letters, digits and hyphens may stand in it", r)
		}
	}
	return ""
}

// fold makes names comparable: capitals have no significance (RFC 1035
// 2.3.1).
func fold(name string) string { return strings.ToLower(name) }

func sameName(a, b string) bool { return fold(a) == fold(b) }

// few lists names, and says how many more there are.
func few(names []string) string {
	const most = 8
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
