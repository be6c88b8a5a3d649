package main

import (
	"fmt"
	"sync"

	"github.com/spf13/cobra"

	"linehand/console/dial"
	"linehand/console/ssh"
)

// signingIn is what a line by SSH needs besides its address.
type signingIn struct {
	pin   string
	known string
	older []string
}

func (s *signingIn) addFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&s.pin, "host-key", "", "`FINGERPRINT` of the host key (SHA256:…), as the unit's console prints it; for a line by SSH")
	f.StringVar(&s.known, "known-hosts", "", "known_hosts `FILE` with the host key; for a line by SSH")
	f.StringSliceVar(&s.older, "older-algorithms", nil, "allow these weak `ALGORITHMS` on a line by SSH, by name")
}

// complete gives an address by SSH what it needs. The person is asked for
// the secret when the unit wants it, and once: a line that went and comes
// back signs in with the same.
func (s *signingIn) complete(a *app, address dial.Address) (dial.Address, error) {
	user, host, ok := address.BySSH()
	if !ok {
		return address, nil
	}
	if s.pin != "" {
		if err := ssh.CheckPin(s.pin); err != nil {
			return address, usage("copy it from what the unit's console prints", "%v", err)
		}
	}
	secret := sync.OnceValues(func() (string, error) {
		return a.askHidden(fmt.Sprintf("Secret of %s at %s: ", user, host))
	})
	return address.WithSSH(ssh.Options{Pin: s.pin, KnownHosts: s.known, Older: s.older, Password: secret}), nil
}
