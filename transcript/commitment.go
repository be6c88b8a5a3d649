package transcript

import (
	"bytes"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/crypto/scrypt"
)

// The cost of a commitment: scrypt (RFC 7914) with N = 2^16, r = 8, p = 1
// takes 64 MiB, as much as the second recommended option of RFC 9106 section
// 4, and an eighth to a quarter of a second.
const (
	costLog = 16
	costR   = 8
	costP   = 1

	maxCostLog = 22 // more, in a file, is refused: it would take 4 GiB and more
	saltSize   = 16
	digestSize = 32
)

// Committer works out commitments, one at a time: several runs that end
// together share one, so that memory is needed once. It may be used from
// several goroutines.
type Committer struct {
	mu     sync.Mutex
	n      int // base-2 logarithm of scrypt's N
	random io.Reader
}

// NewCommitter returns a committer of the cost that FORMAT.md gives.
func NewCommitter() *Committer { return &Committer{n: costLog, random: rand.Reader} }

// NewCheapCommitter returns one whose commitments are worked out in no time,
// and guessed nearly so: for rehearsals, whose secrets are thrown away.
func NewCheapCommitter() *Committer { return &Committer{n: 4, random: rand.Reader} }

// salt is a new salt, as a commitment writes it.
func (c *Committer) salt() ([]byte, error) {
	salt := make([]byte, saltSize)
	if _, err := io.ReadFull(c.random, salt); err != nil {
		return nil, fmt.Errorf("get random bytes: %w", err)
	}
	return salt, nil
}

// commit is the commitment to a value.
func (c *Committer) commit(value string, salt []byte) (string, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	digest, err := scrypt.Key([]byte(value), salt, 1<<c.n, costR, costP, digestSize)
	if err != nil {
		return "", err
	}
	raw := base64.RawStdEncoding
	return fmt.Sprintf("$scrypt$ln=%d,r=%d,p=%d$%s$%s", c.n, costR, costP, raw.EncodeToString(salt), raw.EncodeToString(digest)), nil
}

// ErrCommitment says that a text is no commitment that this version knows.
var ErrCommitment = errors.New("this is no commitment that this program knows")

// CheckCommitment tells whether a commitment, the Text of its event, binds to
// the value. It takes as long as making the commitment did.
func CheckCommitment(text, value string) (bool, error) {
	fields := strings.Split(text, "$")
	if len(fields) != 5 || fields[0] != "" || fields[1] != "scrypt" {
		return false, ErrCommitment
	}
	cost, ok := strings.CutPrefix(fields[2], "ln=")
	cost, ok2 := strings.CutSuffix(cost, fmt.Sprintf(",r=%d,p=%d", costR, costP))
	n, err := strconv.Atoi(cost)
	if !ok || !ok2 || err != nil || n < 1 || n > maxCostLog {
		return false, ErrCommitment
	}
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(fields[3])
	digest, err2 := base64.RawStdEncoding.Strict().DecodeString(fields[4])
	if err1 != nil || err2 != nil || len(salt) != saltSize || len(digest) != digestSize {
		return false, ErrCommitment
	}
	got, err := scrypt.Key([]byte(value), salt, 1<<n, costR, costP, digestSize)
	return subtle.ConstantTimeCompare(got, digest) == 1, err
}

// entered is a secret that was typed in the said event n.
type entered struct {
	n           int
	name, value string
}

// enter notes the secrets that the said event just recorded typed. Only a
// secret that stands by itself counts, and whose value is clear: a name that
// the mask knows several values of is not.
func (j *Journal) enter(byHand bool, typed []Part) {
	if j.committer == nil {
		return
	}
	for _, part := range typed {
		switch {
		case part.Secret != "":
			if values := j.mask.values(part.Secret); len(values) == 1 {
				j.entered = append(j.entered, entered{j.n, part.Secret, values[0]})
			}
		case byHand:
			j.enterKeys(part.Bytes)
		default:
			j.enterLine(part.Bytes)
		}
	}
}

// enterKeys takes keys that a person typed; a secret is entered with Enter.
func (j *Journal) enterKeys(p []byte) {
	for _, c := range p {
		switch {
		case c == '\r' || c == '\n':
			j.enterLine(j.keys)
			j.wipeKeys()
		case (c == '\b' || c == 0x7f) && len(j.keys) > 0:
			j.keys = j.keys[:len(j.keys)-1]
		case c == 0x15 || len(j.keys) == maxRun: // Ctrl-U takes the line back
			j.wipeKeys()
		default:
			j.keys = append(j.keys, c)
		}
	}
}

func (j *Journal) wipeKeys() {
	clear(j.keys[:cap(j.keys)])
	j.keys = j.keys[:0]
}

func (j *Journal) enterLine(p []byte) {
	if name := j.mask.alone(p); name != "" {
		j.entered = append(j.entered, entered{j.n, name, string(bytes.TrimRight(p, "\r\n"))})
	}
}

// commit appends a commitment for each secret that was typed. One salt for
// each name makes typings of one value equal, and tells nothing of whether two
// names have one value.
func (j *Journal) commit() {
	salts := make(map[string][]byte)
	made := make(map[secret]string)
	for _, e := range j.entered {
		text, err := j.commitment(e, salts, made)
		if err == nil {
			err = j.put(j.now(), Event{Kind: Commitment, Name: e.name, Text: text, Of: e.n})
		}
		if err != nil {
			j.mu.Lock()
			if j.err == nil {
				j.err = fmt.Errorf("commit to the secret %s: %w", e.name, err)
			}
			j.mu.Unlock()
			break
		}
	}
	j.entered = nil
	j.wipeKeys()
}

func (j *Journal) commitment(e entered, salts map[string][]byte, made map[secret]string) (string, error) {
	key := secret{e.name, e.value}
	if text, ok := made[key]; ok {
		return text, nil
	}
	salt, ok := salts[e.name]
	if !ok {
		var err error
		if salt, err = j.committer.salt(); err != nil {
			return "", err
		}
		salts[e.name] = salt
	}
	text, err := j.committer.commit(e.value, salt)
	made[key] = text
	return text, err
}
