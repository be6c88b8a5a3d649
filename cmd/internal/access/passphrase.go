package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// What a passphrase has to be. The least length is that of NIST SP 800-63B-4
// section 3.1.1.2 for a passphrase that is the only factor; the most keeps what
// strangers can have us digest small.
const (
	LeastPassphrase = 15  // characters
	MostPassphrase  = 256 // bytes
)

// The second of the two recommended settings of RFC 9106 section 4, for where
// memory is short.
const (
	argonTime    = 3
	argonMemory  = 64 << 10 // KiB
	argonThreads = 4
	saltSize     = 16
	digestSize   = 32
)

// CheckPassphrase says why a passphrase is not taken.
func CheckPassphrase(text string) error {
	switch {
	case !utf8.ValidString(text):
		return errors.New("the passphrase is no text in UTF-8")
	case utf8.RuneCountInString(text) < LeastPassphrase:
		return fmt.Errorf("the passphrase is shorter than %d characters: take several words", LeastPassphrase)
	case len(text) > MostPassphrase:
		return fmt.Errorf("the passphrase is longer than %d bytes", MostPassphrase)
	}
	return nil
}

// digest is a passphrase as it is kept: in the usual text form of argon2id,
// with its settings and salt.
func digest(passphrase string) string {
	salt := make([]byte, saltSize)
	_, _ = rand.Read(salt) // never fails
	sum := argon2.IDKey([]byte(passphrase), salt, argonTime, argonMemory, argonThreads, digestSize)
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemory, argonTime, argonThreads, b64(salt), b64(sum))
}

// absent stands in for the digest of somebody who is not there, so that
// asking for them takes as long.
const absent = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// matches tells whether a passphrase is that of a digest.
func matches(kept, passphrase string) bool {
	var version, memory, time, threads uint32
	parts := strings.Split(kept, "$")
	if len(parts) != 6 || parts[1] != "argon2id" || len(passphrase) > MostPassphrase {
		return false
	}
	_, err := fmt.Sscanf(parts[2]+" "+parts[3], "v=%d m=%d,t=%d,p=%d", &version, &memory, &time, &threads)
	salt, serr := base64.RawStdEncoding.DecodeString(parts[4])
	sum, derr := base64.RawStdEncoding.DecodeString(parts[5])
	if errors.Join(err, serr, derr) != nil || version != argon2.Version || memory > 1<<20 || time == 0 || time > 20 || threads == 0 || threads > 64 || len(sum) < 16 {
		return false
	}
	got := argon2.IDKey([]byte(passphrase), salt, time, memory, uint8(threads), uint32(len(sum)))
	return subtle.ConstantTimeCompare(got, sum) == 1
}
