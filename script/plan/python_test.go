package plan

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"linehand/script/site"
)

// question is one case for the two libraries: the line that Python is asked,
// and what is worked out here.
type question struct{ asked, here string }

// TestAddressesAgreeWithPython compares 120,000 random cases with the
// ipaddress module of Python's standard library, in one process: subnets with
// mask, first and last host and their number, addresses as text, masks,
// overlaps, and whether a subnet holds an address.
func TestAddressesAgreeWithPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("python3 is needed where CI is set")
		}
		t.Skip("python3 is not there")
	}
	r := rand.New(rand.NewPCG(4632, 5952))
	var all []question
	for range 24_000 {
		all = append(all, askSubnet(r), askAddress(r), askMask(r), askOverlap(r), askHolds(r))
	}
	var in bytes.Buffer
	for _, q := range all {
		in.WriteString(q.asked + "\n")
	}
	cmd := exec.Command(python, "testdata/addresses.py")
	cmd.Stdin, cmd.Stderr = &in, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(bytes.NewReader(out))
	for _, q := range all {
		if !lines.Scan() {
			t.Fatal("Python answered too little")
		}
		if lines.Text() != q.here {
			t.Errorf("%q: here %s, Python %s", q.asked, q.here, lines.Text())
		}
	}
}

func randomAddr(r *rand.Rand) netip.Addr {
	if r.IntN(2) == 0 {
		return netip.AddrFrom4([4]byte{byte(r.IntN(256)), byte(r.IntN(256)), byte(r.IntN(256)), byte(r.IntN(256))})
	}
	var b [16]byte
	for i := range 8 {
		if r.IntN(3) > 0 { // runs of zeros, for the short forms of RFC 5952
			b[2*i], b[2*i+1] = byte(r.IntN(256)), byte(r.IntN(256))
		}
	}
	b[0] |= 0x20 // nothing that starts with zeros: those forms differ by version of the module
	return netip.AddrFrom16(b)
}

func randomPrefix(r *rand.Rand) netip.Prefix {
	a := randomAddr(r)
	return netip.PrefixFrom(a, r.IntN(a.BitLen()+1))
}

func askSubnet(r *rand.Rand) question {
	p := randomPrefix(r)
	s := Work(p)
	mask := s.Mask
	if mask == "" {
		mask = "-"
	}
	return question{"subnet\t" + p.String(), fmt.Sprintf("%s %s %s %s %s", s.Prefix, mask, s.First, s.Last, s.Usable)}
}

// askAddress writes an address in some form, and often spoils it.
func askAddress(r *rand.Rand) question {
	a := randomAddr(r)
	text := a.String()
	if r.IntN(2) == 0 {
		text = a.StringExpanded()
	}
	if r.IntN(3) == 0 {
		text = strings.ToUpper(text)
	}
	if r.IntN(2) == 0 {
		at := r.IntN(len(text))
		text = text[:at] + []string{"", "0", ".", ":", "::", "256", "g", " ", "-", "0x"}[r.IntN(10)] + text[at+r.IntN(2):]
	}
	text = strings.TrimRight(text, " ") // a line's end is taken off by the other side
	here := "refused"
	if got, err := site.ParseAddress(text); err == nil {
		here = got.String()
	}
	return question{"address\t" + text, here}
}

func askMask(r *rand.Rand) question {
	text := maskOf(netip.PrefixFrom(netip.IPv4Unspecified(), r.IntN(33)))
	if r.IntN(2) == 0 {
		octets := []string{"0", "128", "192", "224", "240", "248", "252", "254", "255", "1", "88", "256"}
		parts := make([]string, 4)
		for i := range parts {
			parts[i] = octets[r.IntN(len(octets))]
		}
		text = strings.Join(parts, ".")
	}
	here := "refused"
	if bits, ok := site.MaskBits(text); ok {
		here = strconv.Itoa(bits)
	}
	return question{"mask\t" + text, here}
}

func askOverlap(r *rand.Rand) question {
	a := randomPrefix(r)
	b := netip.PrefixFrom(a.Addr(), r.IntN(a.Addr().BitLen()+1)) // near it
	if r.IntN(3) == 0 {
		if c := randomPrefix(r); c.Addr().BitLen() == a.Addr().BitLen() {
			b = c
		}
	}
	if r.IntN(2) == 0 { // the block beside it
		if next := lastOf(b).Next(); next.IsValid() {
			b = netip.PrefixFrom(next, b.Bits())
		}
	}
	a, b = a.Masked(), b.Masked()
	s := &site.Site{Networks: []site.Network{{Prefix: a}, {Prefix: b}}}
	c := newChecker(s)
	c.overlaps()
	return question{"overlap\t" + a.String() + " " + b.String(), map[bool]string{true: "True", false: "False"}[len(c.problems) > 0]}
}

func askHolds(r *rand.Rand) question {
	p := randomPrefix(r).Masked()
	a := []netip.Addr{p.Addr(), lastOf(p), lastOf(p).Next(), p.Addr().Prev(), randomAddr(r)}[r.IntN(5)]
	if !a.IsValid() || a.BitLen() != p.Addr().BitLen() {
		a = p.Addr()
	}
	n := &site.Network{Prefix: p}
	c := newChecker(&site.Site{})
	c.inNetwork(a, site.Text{}.Pos, n, p)
	outside := len(c.problems) > 0 && strings.Contains(c.problems[0].What, " is not in ")
	return question{"holds\t" + p.String() + " " + a.String(), map[bool]string{true: "False", false: "True"}[outside]}
}
