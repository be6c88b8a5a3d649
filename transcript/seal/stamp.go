package seal

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"time"
)

// A time stamp of an authority shows that something was there at a time,
// whatever the bench's clock said. Requests and replies are those of RFC 3161;
// how they travel is left to the person.

type algorithm struct {
	ID     asn1.ObjectIdentifier
	Params asn1.RawValue `asn1:"optional"`
}

type imprint struct {
	Algorithm algorithm
	Hash      []byte
}

type stampRequest struct {
	Version  int
	Imprint  imprint
	Nonce    *big.Int
	CertsToo bool `asn1:"default:false"`
}

var (
	oidSHA256     = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 1}    // RFC 8017 appendix B.1
	oidSignedData = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2}        // RFC 5652 section 5.1
	oidTSTInfo    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 1, 4} // RFC 3161 section 2.4.2
)

// StampRequest is a time-stamp request (TimeStampReq, DER) for the SHA-256
// digest of what, with a nonce of 64 bits, that asks for the authority's
// certificate.
func StampRequest(what []byte) ([]byte, error) {
	var nonce [8]byte
	if _, err := rand.Read(nonce[:]); err != nil {
		return nil, fmt.Errorf("make a time-stamp request: %w", err)
	}
	nonce[0] |= 0x40 // as long as it says it is
	nonce[0] &^= 0x80
	digest := sha256.Sum256(what)
	return asn1.Marshal(stampRequest{
		Version: 1,
		Imprint: imprint{algorithm{oidSHA256, asn1.NullRawValue}, digest[:]},
		Nonce:   new(big.Int).SetBytes(nonce[:]), CertsToo: true,
	})
}

// Stamp is what a time-stamp token says.
type Stamp struct {
	Time     time.Time `json:"time"`
	Serial   string    `json:"serial"`
	Policy   string    `json:"policy"`
	Modified bool      `json:"modified,omitempty"` // granted with modifications
}

type pkiStatus struct {
	Status  int
	Text    []asn1.RawValue `asn1:"optional"`
	Failure asn1.BitString  `asn1:"optional"`
}

type stampReply struct {
	Status pkiStatus
	Token  asn1.RawValue `asn1:"optional"`
}

type contentInfo struct {
	Type    asn1.ObjectIdentifier
	Content asn1.RawValue `asn1:"explicit,tag:0"`
}

// CheckStamp checks a reply (TimeStampResp, DER) against its request and what
// was to be stamped: that it was granted, and that its token is for the same
// digest and nonce and has a right time. It does not check the authority's own
// signature: that needs the authority's certificates, and a program made for
// it.
func CheckStamp(request, reply, what []byte) (Stamp, error) {
	var req stampRequest
	if rest, err := asn1.Unmarshal(request, &req); err != nil || len(rest) > 0 {
		return Stamp{}, errors.New("the request is no time-stamp request (RFC 3161)")
	}
	digest := sha256.Sum256(what)
	if !bytes.Equal(req.Imprint.Hash, digest[:]) {
		return Stamp{}, ErrOther
	}
	var rep stampReply
	if rest, err := asn1.Unmarshal(reply, &rep); err != nil || len(rest) > 0 {
		return Stamp{}, errors.New("the reply is no time-stamp reply (RFC 3161)")
	}
	if rep.Status.Status > 1 || rep.Status.Status < 0 || len(rep.Token.FullBytes) == 0 {
		return Stamp{}, fmt.Errorf("the authority did not grant the time stamp (status %d)", rep.Status.Status)
	}
	info, err := tokenInfo(rep.Token.FullBytes)
	if err != nil {
		return Stamp{}, err
	}
	stamp, err := checkInfo(info, req)
	stamp.Modified = rep.Status.Status == 1
	return stamp, err
}

// ErrOther says that a time-stamp request is for something else.
var ErrOther = errors.New("the time-stamp request is for something else")

var errToken = errors.New("the reply holds no time-stamp token (RFC 3161)")

// tokenInfo is the TSTInfo in a token.
func tokenInfo(token []byte) ([]byte, error) {
	var outer contentInfo
	if _, err := asn1.Unmarshal(token, &outer); err != nil || !outer.Type.Equal(oidSignedData) {
		return nil, errToken
	}
	var data asn1.RawValue
	if _, err := asn1.Unmarshal(outer.Content.FullBytes, &data); err != nil {
		return nil, errToken
	}
	if data.Class == asn1.ClassContextSpecific { // the explicit tag itself
		if _, err := asn1.Unmarshal(data.Bytes, &data); err != nil {
			return nil, errToken
		}
	}
	var version int
	rest, err := asn1.Unmarshal(data.Bytes, &version)
	if err != nil {
		return nil, errToken
	}
	var digests asn1.RawValue
	if rest, err = asn1.Unmarshal(rest, &digests); err != nil {
		return nil, errToken
	}
	var content struct {
		Type asn1.ObjectIdentifier
		Body []byte `asn1:"explicit,tag:0"`
	}
	if _, err = asn1.Unmarshal(rest, &content); err != nil || !content.Type.Equal(oidTSTInfo) {
		return nil, errToken
	}
	return content.Body, nil
}

// checkInfo reads a TSTInfo member by member: what is optional in it cannot be
// told apart by position alone.
func checkInfo(info []byte, req stampRequest) (Stamp, error) {
	var outer asn1.RawValue
	if rest, err := asn1.Unmarshal(info, &outer); err != nil || len(rest) > 0 || outer.Tag != asn1.TagSequence {
		return Stamp{}, errToken
	}
	var version int
	var policy asn1.ObjectIdentifier
	var imp imprint
	var serial *big.Int
	var gen asn1.RawValue
	rest := outer.Bytes
	for _, to := range []any{&version, &policy, &imp, &serial, &gen} {
		var err error
		if rest, err = asn1.Unmarshal(rest, to); err != nil {
			return Stamp{}, errToken
		}
	}
	nonce, err := nonceOf(rest)
	if err != nil {
		return Stamp{}, err
	}
	when, err := generalizedTime(gen)
	switch {
	case err != nil:
		return Stamp{}, err
	case version != 1:
		return Stamp{}, fmt.Errorf("the token is of version %d; RFC 3161 knows 1", version)
	case !imp.Algorithm.ID.Equal(oidSHA256) || !bytes.Equal(imp.Hash, req.Imprint.Hash):
		return Stamp{}, errors.New("the token is for something else: its digest is another than the request's")
	case req.Nonce != nil && (nonce == nil || nonce.Cmp(req.Nonce) != 0):
		return Stamp{}, errors.New("the token answers another request: its nonce is another than the request's")
	}
	return Stamp{Time: when, Serial: serial.String(), Policy: policy.String()}, nil
}

// nonceOf finds the nonce among accuracy, ordering, nonce, tsa and extensions.
func nonceOf(rest []byte) (*big.Int, error) {
	for len(rest) > 0 {
		var member asn1.RawValue
		next, err := asn1.Unmarshal(rest, &member)
		if err != nil {
			return nil, errToken
		}
		if member.Class == asn1.ClassUniversal && member.Tag == asn1.TagInteger {
			var nonce *big.Int
			_, err := asn1.Unmarshal(member.FullBytes, &nonce)
			return nonce, err
		}
		rest = next
	}
	return nil, nil
}

// generalizedTime reads genTime after RFC 3161 section 2.4.2: seconds are
// there, Z ends it, and a fraction has no trailing zeros.
func generalizedTime(v asn1.RawValue) (time.Time, error) {
	text := string(v.Bytes)
	if v.Tag == asn1.TagGeneralizedTime {
		for _, layout := range []string{"20060102150405Z", "20060102150405.999999999Z"} {
			if t, err := time.Parse(layout, text); err == nil && t.Format(layout) == text {
				return t.UTC(), nil
			}
		}
	}
	return time.Time{}, errors.New("the token's time is not spelled as RFC 3161 spells it")
}
