package ssh

import (
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// HostKeyError says that the unit did not prove itself. Nothing was sent
// that is secret.
type HostKeyError struct {
	Address    string
	Pin        string   // what was wanted; "": KnownHosts decided
	KnownHosts string   // "": none
	Shown      []string // the fingerprints of the keys that it has
}

func (e *HostKeyError) Error() string {
	shown := strings.Join(e.Shown, " and ")
	switch {
	case e.Pin != "":
		return fmt.Sprintf("the host key of %s is not the one that was pinned: it shows %s, pinned is %s. Either this is another unit, or its key was made anew: have its console print the fingerprint. Nothing secret was sent", e.Address, shown, e.Pin)
	case e.KnownHosts != "":
		return fmt.Sprintf("the host key of %s, %s, is not that of %s. Nothing secret was sent. Compare it with what the unit's console prints, and pin it", e.Address, shown, e.KnownHosts)
	}
	return fmt.Sprintf("no host key is pinned for %s, and there is no known_hosts file. It shows %s: compare that with what the unit's console prints, and pin it. Nothing secret was sent", e.Address, shown)
}

// wanted is what the host key is held against.
type wanted struct {
	pin   string
	known ssh.HostKeyCallback // nil: none
}

// wanted reads the pin and the file.
func (o Options) wanted() (wanted, error) {
	if o.Pin != "" {
		if err := CheckPin(o.Pin); err != nil {
			return wanted{}, err
		}
		return wanted{pin: strings.TrimRight(o.Pin, "=")}, nil
	}
	if o.KnownHosts == "" {
		return wanted{}, nil
	}
	known, err := knownhosts.New(o.KnownHosts)
	if errors.Is(err, os.ErrNotExist) {
		return wanted{}, fmt.Errorf("the host key of %s cannot be checked: there is no file %s, and none is pinned; pin the fingerprint that the unit's console prints (SHA256:…)", o.Address, o.KnownHosts)
	}
	if err != nil {
		return wanted{}, fmt.Errorf("reading the known host keys: %w", err)
	}
	return wanted{known: known}, nil
}

var errOther = errors.New("it is not the host key that is wanted")

func (w wanted) check(host string, remote net.Addr, key ssh.PublicKey) error {
	switch {
	case w.pin != "":
		if ssh.FingerprintSHA256(key) == w.pin {
			return nil
		}
		return errOther
	case w.known != nil:
		return w.known(host, remote, key)
	}
	return errOther
}

// CheckPin says what is wrong with a fingerprint; nil: it can be one.
func CheckPin(pin string) error {
	digest, found := strings.CutPrefix(pin, "SHA256:")
	digest = strings.TrimRight(digest, "=")
	valid := !strings.ContainsFunc(digest, func(r rune) bool {
		return !strings.ContainsRune("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/", r)
	})
	if !found || !valid || len(digest) != 43 {
		return fmt.Errorf("host key fingerprint %q: want SHA256: and 43 characters of base64, as the unit's console prints it", pin)
	}
	return nil
}

// algorithms are what is offered: the library's choice and what is named in
// Older. Host keys come in groups, to be tried one after the other: first
// all, then each kind alone.
func (o Options) algorithms() (base ssh.Config, keys [][]string, err error) {
	sound, weak := ssh.SupportedAlgorithms(), ssh.InsecureAlgorithms()
	base.KeyExchanges, base.Ciphers, base.MACs = sound.KeyExchanges, sound.Ciphers, sound.MACs // some of the library's defaults are weak
	all := sound.HostKeys
	for _, name := range o.Older {
		known := false
		for _, list := range []struct {
			from []string
			to   *[]string
		}{{weak.KeyExchanges, &base.KeyExchanges}, {weak.Ciphers, &base.Ciphers}, {weak.MACs, &base.MACs}, {weak.HostKeys, &all}} {
			if slices.Contains(list.from, name) {
				known = true
				if !slices.Contains(*list.to, name) {
					*list.to = append(slices.Clip(*list.to), name)
				}
			}
		}
		if !known {
			return base, nil, fmt.Errorf("older algorithm %q: there are %s", name, strings.Join(OlderAlgorithms(), ", "))
		}
	}
	all = slices.DeleteFunc(all, func(name string) bool { return strings.Contains(name, "-cert-") })
	keys = [][]string{all}
	for _, kind := range []string{"ed25519", "ecdsa", "rsa", "dss"} {
		group := slices.DeleteFunc(slices.Clone(all), func(name string) bool { return !strings.Contains(name, kind) })
		if len(group) > 0 {
			keys = append(keys, group)
		}
	}
	return base, keys, nil
}

// OlderAlgorithms are the names that Options.Older may hold.
func OlderAlgorithms() []string {
	weak := ssh.InsecureAlgorithms()
	names := slices.Concat(weak.KeyExchanges, weak.Ciphers, weak.MACs, weak.HostKeys)
	names = slices.DeleteFunc(names, func(name string) bool { return strings.Contains(name, "-cert-") })
	slices.Sort(names)
	return slices.Compact(names)
}

// older says which names would let a unit in that speaks nothing better.
func older(address string, differ *ssh.AlgorithmNegotiationError) error {
	var usable []string
	for _, name := range differ.RequestedAlgorithms {
		if slices.Contains(OlderAlgorithms(), name) {
			usable = append(usable, name)
		}
	}
	if len(usable) == 0 {
		return fmt.Errorf("%s offers no %s that this program has: %q", address, differ.What, differ.RequestedAlgorithms)
	}
	return fmt.Errorf("%s offers only older algorithms for the %s; name one of them to allow it: %s", address, differ.What, strings.Join(usable, ", "))
}
