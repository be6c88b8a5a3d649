package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"linehand/transcript/ledger"
	"linehand/transcript/seal"
)

// checkProof checks a proof that somebody handed over.
func (k *keeping) checkProof(args []string) error {
	keys, err := k.trusted()
	if err != nil {
		return err
	}
	if len(keys) == 0 {
		return usage("name the bench's key with --key KEY", "a proof is checked with a key that is trusted")
	}
	text, err := os.ReadFile(args[0])
	var proof ledger.Proof
	if err == nil {
		err = json.Unmarshal(text, &proof)
	}
	if err != nil {
		return &codedError{exitInput, fmt.Sprintf("%s: %v", args[0], err), "name a file that linehand records prove or since wrote"}
	}
	e, err := proof.Check(keys...)
	if err != nil {
		return &codedError{exitNotWhole, fmt.Sprintf("%s: %v", args[0], err), ""}
	}
	if proof.Of == "consistency" {
		fmt.Fprintf(k.out, "holds: the log of\n%s\nonly adds to that of\n%s\n", proof.To, proof.From)
		return nil
	}
	fmt.Fprintf(k.out, "holds: entry %d, record %s, seal %s, is in the log of\n%s\n", e.Entry, e.Record, e.Link(), proof.To)
	return nil
}

func (k *keeping) pack(args []string) (err error) {
	if k.site == "" {
		return usage("such as --site skerrymore", "say which site's records go into the archive")
	}
	f, err := os.OpenFile(args[0], os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return &codedError{exitInput, fmt.Sprintf("make the archive: %v", err), "name a file that is not there yet"}
	}
	err = ledger.Pack(f, k.set.Records, k.site)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(args[0]) // ours: it was not there before
		return &codedError{exitNotWhole, err.Error(), "no archive was written; linehand records verify tells more"}
	}
	fmt.Fprintln(k.out, args[0])
	return nil
}

func (k *keeping) unpack(args []string) error {
	keys, err := k.trusted()
	if err != nil {
		return err
	}
	f, err := os.Open(args[0])
	if err != nil {
		return &codedError{exitInput, err.Error(), ""}
	}
	defer f.Close()
	l, err := k.openLedger()
	if err != nil {
		return err
	}
	defer l.Close()
	list, err := l.Unpack(f, k.set.Person, keys...)
	for _, e := range list {
		fmt.Fprintf(k.out, "%s: taken in as entry %d\n", e.Record, e.Entry)
	}
	if err != nil {
		return &codedError{exitNotWhole, err.Error(), "what was named above came in; the rest did not. --key KEY names the key of the bench that made it"}
	}
	return nil
}

func (k *keeping) stampRequest(args []string) error {
	_, c, err := k.state()
	if err != nil {
		return err
	}
	request, err := seal.StampRequest([]byte(c.String()))
	if err != nil {
		return err
	}
	if err := os.WriteFile(args[0], request, 0o600); err != nil {
		return &codedError{exitInput, fmt.Sprintf("write the time-stamp request: %v", err), ""}
	}
	fmt.Fprintf(k.out, "%s is for the line\n%s\n", args[0], c)
	return nil
}

func (k *keeping) stampAttach(args []string) error {
	request, err1 := os.ReadFile(args[0])
	reply, err2 := os.ReadFile(args[1])
	if err := errors.Join(err1, err2); err != nil {
		return &codedError{exitInput, err.Error(), ""}
	}
	l, err := k.openLedger()
	if err != nil {
		return err
	}
	defer l.Close()
	stamp, err := l.Attach(request, reply)
	if err != nil {
		return &codedError{exitNotWhole, err.Error(), "nothing was kept"}
	}
	fmt.Fprintf(k.out, "stamped at %s, number %s of policy %s\nthe authority's signature is not checked here; openssl ts -verify does that\n", stamp.Time.Format("2006-01-02T15:04:05Z"), stamp.Serial, stamp.Policy)
	return nil
}
