package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// newSecret is a random secret of 256 bits, for cookies, tokens and links.
func newSecret() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

// sum is how a random secret is kept: it has 256 bits, so that nobody finds it
// out of its digest by trying.
func sum(secret string) string {
	s := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(s[:])
}

// same compares digests in a time that does not tell where they differ.
func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

const (
	tokensFile   = "tokens.json"
	tokensFormat = "linehand.tokens/1"
	tokenStart   = "linehand_" // lets people and scanners see what it is

	// MostTokenLife is how long an API token may be good for.
	MostTokenLife = 366 * 24 * time.Hour
	mostTokens    = 1000
)

// Token is an API token without its secret.
type Token struct {
	ID    string    `json:"id"`
	Name  string    `json:"name"` // of the program that has it
	Roles Roles     `json:"roles"`
	By    string    `json:"by"` // who has made it
	Made  time.Time `json:"made"`
	Until time.Time `json:"until"`
}

type keptToken struct {
	Token
	Digest string `json:"digest"`
}

type tokenList struct {
	Format string      `json:"format"`
	Tokens []keptToken `json:"tokens"`
}

// tokens are the API tokens of a bench.
type tokens struct {
	path string

	mu   sync.Mutex
	list tokenList
	live map[string]context.CancelFunc // ends what goes on with a token, by ID
	ctx  map[string]context.Context
}

func openTokens(data string) (*tokens, error) {
	t := &tokens{path: filepath.Join(data, tokensFile), list: tokenList{Format: tokensFormat},
		live: make(map[string]context.CancelFunc), ctx: make(map[string]context.Context)}
	if err := readList(t.path, &t.list); err != nil {
		return nil, err
	}
	if t.list.Format != tokensFormat {
		return nil, fmt.Errorf("%s is of format %q, and this version reads %q", t.path, t.list.Format, tokensFormat)
	}
	return t, nil
}

// Errors of tokens.
var (
	ErrNoToken   = errors.New("there is no such token")
	ErrRoles     = errors.New("nobody gives away a role that they do not have")
	ErrTokenLife = errors.New("a token is good for more than nothing and at most 366 days")
	ErrTokens    = errors.New("there are too many tokens: end some first")
	ErrByToken   = errors.New("a token makes no other token: a person does")
)

// MakeToken makes an API token, and gives its secret, which is kept nowhere.
func (g *Gate) MakeToken(by Session, name string, roles Roles, life time.Duration) (Token, string, error) {
	roles = complete(roles)
	switch {
	case by.Way == ByToken:
		return Token{}, "", ErrByToken
	case CheckName(name) != nil:
		return Token{}, "", CheckName(name)
	case len(roles) == 0 || !roles.Within(by.Person.Roles):
		return Token{}, "", ErrRoles
	case life <= 0 || life > MostTokenLife:
		return Token{}, "", ErrTokenLife
	}
	now := time.Now().UTC().Truncate(time.Second)
	secret := tokenStart + newSecret()
	k := keptToken{Token{ID: "t-" + shortID(), Name: name, Roles: roles, By: by.Person.Name, Made: now, Until: now.Add(life)}, sum(secret)}
	err := g.tokens.change(func(l *tokenList) error {
		l.Tokens = slices.DeleteFunc(l.Tokens, func(k keptToken) bool { return !now.Before(k.Until) })
		if len(l.Tokens) >= mostTokens {
			return ErrTokens
		}
		l.Tokens = append(l.Tokens, k)
		return nil
	})
	if err != nil {
		return Token{}, "", err
	}
	g.log.Info().Str("person", by.Person.Name).Str("token", k.ID).Str("roles", roles.String()).Msg("an API token was made")
	return k.Token, secret, nil
}

// EndToken ends an API token.
func (g *Gate) EndToken(by Session, id string) error {
	err := g.tokens.change(func(l *tokenList) error {
		before := len(l.Tokens)
		l.Tokens = slices.DeleteFunc(l.Tokens, func(k keptToken) bool { return k.ID == id })
		if len(l.Tokens) == before {
			return ErrNoToken
		}
		return nil
	})
	if err == nil {
		g.log.Info().Str("person", by.Person.Name).Str("token", id).Msg("an API token was ended")
	}
	return err
}

// Tokens are the API tokens that are good now.
func (g *Gate) Tokens() []Token {
	g.tokens.mu.Lock()
	defer g.tokens.mu.Unlock()
	list := []Token{}
	for _, k := range g.tokens.list.Tokens {
		if time.Now().Before(k.Until) {
			list = append(list, k.Token)
		}
	}
	return list
}

func (t *tokens) change(f func(*tokenList) error) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	fresh := tokenList{t.list.Format, slices.Clone(t.list.Tokens)}
	if err := f(&fresh); err != nil {
		return err
	}
	if err := writeList(t.path, fresh); err != nil {
		return err
	}
	t.list = fresh
	for id, cancel := range t.live {
		if !slices.ContainsFunc(fresh.Tokens, func(k keptToken) bool { return k.ID == id }) {
			cancel()
			delete(t.live, id)
			delete(t.ctx, id)
		}
	}
	return nil
}

// find gives the token of a secret, and a context that ends when it is ended.
// Every digest is compared, whichever fits.
func (t *tokens) find(secret string) (Token, context.Context) {
	got := sum(secret)
	t.mu.Lock()
	defer t.mu.Unlock()
	var found *keptToken
	for i, k := range t.list.Tokens {
		if same(k.Digest, got) {
			found = &t.list.Tokens[i]
		}
	}
	if found == nil || !time.Now().Before(found.Until) {
		return Token{}, nil
	}
	if t.ctx[found.ID] == nil {
		t.ctx[found.ID], t.live[found.ID] = context.WithCancel(context.Background())
	}
	return found.Token, t.ctx[found.ID]
}

func (t *tokens) has(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.ContainsFunc(t.list.Tokens, func(k keptToken) bool { return k.ID == id && time.Now().Before(k.Until) })
}

// byToken is the session of a request with an API token.
func (g *Gate) byToken(header string) (Session, context.Context) {
	scheme, secret, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return Session{}, nil
	}
	t, live := g.tokens.find(strings.TrimSpace(secret))
	if live == nil {
		return Session{}, nil
	}
	return Session{ID: t.ID, Person: Person{t.Name + " (token of " + t.By + ")", t.Roles}, Way: ByToken, Begun: t.Made, Seen: time.Now(), Until: t.Until}, live
}
