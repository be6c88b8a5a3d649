package site

import (
	"fmt"
	"net/netip"
	"regexp"
	"strings"
	"time"
	_ "time/tzdata" // machines without a time zone database check profiles too
	"unicode"
	"unicode/utf8"
)

// Checks of single texts, apart from all others. Lengths are in characters.

const longestText = 1024

var (
	nameForm     = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_/:-]*$`)
	secretForm   = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]*$`)
	roleForm     = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]*$`)
	variableForm = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	userForm     = regexp.MustCompile(`^[!-~]{1,64}$`)

	// RFC 4251 6: printable US-ASCII without commas, at most 64 characters.
	algorithmForm = regexp.MustCompile(`^[a-z0-9][a-zA-Z0-9.@/+_-]{0,63}$`)
)

// checkAnyText holds for every text: what a profile says may be typed on a
// console, where a control character does something.
func checkAnyText(s string) (what, mend string) {
	switch {
	case s == "":
		return "the text is empty", "write its value, or take the key out"
	case utf8.RuneCountInString(s) > longestText:
		return fmt.Sprintf("the text is longer than %d characters", longestText), "shorten it"
	case strings.ContainsFunc(s, unicode.IsControl):
		return "the text holds a control character, such as a line end or a tab", "write it on one line without"
	case strings.TrimSpace(s) != s:
		return "the text starts or ends with a blank", "take the blank out"
	}
	return "", ""
}

func checkName(s string) (what, mend string) {
	if len(s) > 64 || !nameForm.MatchString(s) {
		return fmt.Sprintf("%q cannot be a name here", s), "use at most 64 letters, digits and - _ / :, a letter or digit first"
	}
	return "", ""
}

// checkSecretName shows nothing of what was written: it may be a secret.
func checkSecretName(s string) (what, mend string) {
	if len(s) > 64 || !secretForm.MatchString(s) {
		return "what is written here cannot be the name of a secret", "name an entry of secrets: (letters, digits, - and _); " + howToRefer
	}
	return "", ""
}

func checkRole(s string) (what, mend string) {
	if len(s) > 64 || !roleForm.MatchString(s) {
		return fmt.Sprintf("%q cannot be a role", s), "use at most 64 letters, digits, - and _, a letter first, as a dialogue says it in ${secret.ROLE}"
	}
	return "", ""
}

// checkVariable shows nothing of what was written: it may be a secret.
// The form is that of POSIX.1-2017 XBD 8.1, small letters allowed.
func checkVariable(s string) (what, mend string) {
	if !variableForm.MatchString(s) {
		return "what is written here cannot be the name of an environment variable", "name a variable (letters, digits and _), such as LINEHAND_SECRET_ADMIN; " + howToRefer
	}
	return "", ""
}

func checkUser(s string) (what, mend string) {
	if !userForm.MatchString(s) {
		return fmt.Sprintf("%q cannot be a user's name", s), "write at most 64 printable characters without blanks"
	}
	return "", ""
}

// checkAlgorithm looks at the form of an algorithm's name (RFC 4251 6). Which
// ones there are is for the SSH line to say.
func checkAlgorithm(s string) (what, mend string) {
	if !algorithmForm.MatchString(s) {
		return fmt.Sprintf("%q cannot be the name of an algorithm", s), "write its name in SSH (RFC 4251 6), such as diffie-hellman-group14-sha1, one for each element"
	}
	return "", ""
}

// checkEntry is for the name of an entry in the vault.
func checkEntry(s string) (what, mend string) {
	if w, _ := checkSecretName(s); w != "" {
		return "what is written here cannot be the name of a vault's entry", "name an entry with letters, digits, - and _; " + howToRefer
	}
	return "", ""
}

// ParseAddress reads an address as a profile writes it: dotted, or in one of
// the forms of RFC 4291 2.2; without prefix length, zone, leading zeros or an
// IPv4 address inside an IPv6 one.
func ParseAddress(s string) (netip.Addr, error) {
	a, err := netip.ParseAddr(s)
	if err != nil {
		return netip.Addr{}, fmt.Errorf("%q is not an address; %s", s, addressMend(s))
	}
	if what, mend := checkAddress(s); what != "" {
		return netip.Addr{}, fmt.Errorf("%s; %s", what, mend)
	}
	return a, nil
}

// MaskBits gives the prefix length of a dotted mask; false for one that is
// not ones followed by zeros (RFC 4632 5.1).
func MaskBits(s string) (int, bool) { return maskBits(s) }

func checkAddress(s string) (what, mend string) {
	a, err := netip.ParseAddr(s)
	switch {
	case err == nil && a.Is4In6():
		return fmt.Sprintf("%s is an IPv4 address in IPv6 form (RFC 4291 2.5.5.2)", s), "write " + a.Unmap().String()
	case err == nil && a.Zone() != "":
		return fmt.Sprintf("%s has a zone", s), "leave out " + "%" + a.Zone()
	case err == nil:
		return "", ""
	}
	if p, err := netip.ParsePrefix(s); err == nil {
		return fmt.Sprintf("%s has a prefix length, which the network says", s), "write " + p.Addr().String()
	}
	return fmt.Sprintf("%q is not an address", s), addressMend(s)
}

func addressMend(s string) string {
	for _, part := range strings.Split(s, ".") {
		if len(part) > 1 && part[0] == '0' && strings.Trim(part, "0123456789") == "" {
			return "write its numbers without leading zeros: some units read those as octal"
		}
	}
	return "write four numbers of 0 to 255 with dots, or an IPv6 address (RFC 4291 2.2)"
}

// checkServer takes an address or a host name. The plan checks which names
// are fit; here only what could never be one is refused.
func checkServer(s string) (what, mend string) {
	if _, err := netip.ParseAddr(s); err == nil {
		return checkAddress(s)
	}
	if strings.ContainsAny(s, " @/:%") {
		return "this is neither a server's address nor its name", "write it alone, without port, user or scheme"
	}
	return "", ""
}

// checkMask refuses masks with holes in them (RFC 4632 5.1).
func checkMask(s string) (what, mend string) {
	if _, ok := maskBits(s); !ok {
		return fmt.Sprintf("%q is not a mask of ones followed by zeros", s), "write one such as 255.255.255.0 (RFC 4632 3.1), or the prefix length behind subnet"
	}
	return "", ""
}

func maskBits(s string) (int, bool) {
	a, err := netip.ParseAddr(s)
	if err != nil || !a.Is4() {
		return 0, false
	}
	var m uint32
	for _, b := range a.As4() {
		m = m<<8 | uint32(b)
	}
	bits := 0
	for ; m&(1<<31) != 0; m <<= 1 {
		bits++
	}
	return bits, m == 0
}

func checkTimeZone(s string) (what, mend string) {
	if _, err := time.LoadLocation(s); err != nil || s == "Local" {
		return fmt.Sprintf("%q is not a time zone", s), "write its name in the IANA time zone database, such as Europe/London or Etc/UTC"
	}
	return "", ""
}
