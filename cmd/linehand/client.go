package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
)

// client asks a bench: one elsewhere by its address and an API token, or the
// one that runs here by the socket in its data folder.
type client struct {
	*app
	url       string
	tokenFile string
	authority string // file with certificates that the bench's is trusted by
}

const (
	askWithin  = time.Minute
	mostAnswer = 256 << 20 // bytes
)

// do sends v, reads the answer into out, and tells a refusal in the bench's
// own words.
func (c *client) do(ctx context.Context, method, path string, v, out any) error {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, method, path, nil)
	if err != nil {
		return err
	}
	if v != nil {
		req.Body, req.ContentLength = io.NopCloser(bytes.NewReader(data)), int64(len(data))
		req.Header.Set("Content-Type", "application/json")
	}
	transport, err := c.reach(req)
	if err != nil {
		return err
	}
	defer transport.CloseIdleConnections()
	// A bench does not redirect an API request, and the token goes nowhere else.
	hc := http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := hc.Do(req)
	if err != nil {
		return c.unreached(err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(res.Body, mostAnswer))
	switch {
	case err != nil:
		return c.unreached(err)
	case res.StatusCode >= 300:
		return toldRefusal(res.StatusCode, answer)
	case out == nil || len(answer) == 0:
		return nil
	}
	if err := json.Unmarshal(answer, out); err != nil {
		return fmt.Errorf("the bench's answer cannot be read: %w", err)
	}
	return nil
}

func (c *client) unreached(err error) error {
	var inner *url.Error
	if errors.As(err, &inner) {
		err = inner.Err
	}
	where := c.url
	if where == "" {
		where = filepath.Join(c.set.Bench.Data, api.SocketName)
	}
	return &codedError{exitInput, fmt.Sprintf("the bench at %s is not reached: %v", where, err), "start it with linehand bench, name its data folder with --data, or another bench with --url and --token-file"}
}

// toldRefusal is a problem that the bench has told.
func toldRefusal(status int, answer []byte) error {
	var p struct {
		Detail string
		Errors []struct{ Message, Location string }
	}
	if err := json.Unmarshal(answer, &p); err != nil || p.Detail == "" {
		return fmt.Errorf("the bench answers %d %s", status, http.StatusText(status))
	}
	for _, e := range p.Errors {
		p.Detail += fmt.Sprintf("; %s: %s", e.Location, e.Message)
	}
	return &codedError{exitInput, "the bench refuses: " + p.Detail, ""}
}

// reach completes a request, and says by which way it goes.
func (c *client) reach(req *http.Request) (*http.Transport, error) {
	if c.url == "" {
		path := filepath.Join(c.set.Bench.Data, api.SocketName)
		req.URL.Scheme, req.URL.Host, req.Host = "http", "bench", "bench"
		if name := c.whoever(); access.CheckName(name) == nil {
			req.Header.Set(access.PersonHeader, name)
		}
		return &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", path)
		}}, nil
	}
	u, err := url.Parse(c.url)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || u.User != nil || u.RawQuery != "" {
		return nil, usage("--url https://bench.example.net:8470", "--url is the address of a bench")
	}
	if ip := net.ParseIP(u.Hostname()); u.Scheme == "http" && u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, usage("--url https://…", "a token is not sent without TLS: anybody on the way could take it")
	}
	token, err := c.token()
	if err != nil {
		return nil, err
	}
	req.URL.Scheme, req.URL.Host, req.Host = u.Scheme, u.Host, u.Host
	req.URL.Path = strings.TrimSuffix(u.Path, "/") + req.URL.Path
	req.Header.Set("Authorization", "Bearer "+token)
	conf := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.authority != "" {
		pem, err := os.ReadFile(c.authority)
		conf.RootCAs = x509.NewCertPool()
		if err != nil || !conf.RootCAs.AppendCertsFromPEM(pem) {
			return nil, usage("--ca FILE is in PEM form", "%s holds no certificate that can be read", c.authority)
		}
	}
	return &http.Transport{TLSClientConfig: conf, Proxy: http.ProxyFromEnvironment}, nil
}

// token is the API token, out of a file that only its owner can read.
func (c *client) token() (string, error) {
	if c.tokenFile == "" {
		return "", usage("somebody with the role keys makes one at the bench", "a bench at an address wants an API token: --token-file FILE")
	}
	info, err := os.Stat(c.tokenFile)
	if err == nil && !private(info) {
		err = errors.New("others can read it: chmod 600")
	}
	var data []byte
	if err == nil {
		data, err = os.ReadFile(c.tokenFile)
	}
	token := strings.TrimSpace(string(data))
	if err == nil && (token == "" || strings.ContainsFunc(token, func(r rune) bool { return r <= ' ' || r > '~' })) {
		err = errors.New("it holds no token")
	}
	if err != nil {
		return "", &codedError{exitSecret, fmt.Sprintf("read the API token from %s: %v", c.tokenFile, err), "nothing was asked"}
	}
	return token, nil
}
