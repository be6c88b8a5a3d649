package access

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"time"
)

// certificate is read again when its file was replaced, so that renewing it
// needs no restart.
type certificate struct {
	cert, key string

	mu     sync.Mutex
	pair   *tls.Certificate
	at     time.Time // of the file that was read
	looked time.Time
}

func loadCertificate(cert, key string) (*certificate, error) {
	c := &certificate{cert: cert, key: key}
	if err := c.load(); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *certificate) load() error {
	info, err := os.Stat(c.cert)
	if err != nil {
		return fmt.Errorf("read the certificate: %w", err)
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return fmt.Errorf("read the certificate %s and its key %s: %w", c.cert, c.key, err)
	}
	c.pair, c.at = &pair, info.ModTime()
	return nil
}

// names are the hosts that the certificate is for.
func (c *certificate) names() (list []string) {
	if c == nil {
		return nil
	}
	list = append(list, c.pair.Leaf.DNSNames...)
	for _, ip := range c.pair.Leaf.IPAddresses {
		list = append(list, ip.String())
	}
	return list
}

// certificateLook is how often the file is looked at.
const certificateLook = time.Minute

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) >= certificateLook {
		c.looked = time.Now()
		if info, err := os.Stat(c.cert); err == nil && !info.ModTime().Equal(c.at) {
			_ = c.load() // half written: the one before serves, and it is looked at again
		}
	}
	return c.pair, nil
}
