package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// selfSigned writes a certificate for a host, and its key.
func selfSigned(t testing.TB, host string) (cert, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: host}, DNSNames: []string{host}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, k.Public(), k)
	must(t, err)
	kder, err := x509.MarshalPKCS8PrivateKey(k)
	must(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	must(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	must(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kder}), 0o600))
	return cert, key
}

func TestRenewedCertificate(t *testing.T) {
	cert, key := selfSigned(t, "bench.example.net")
	c, err := loadCertificate(cert, key)
	must(t, err)
	before, err := c.get(nil)
	must(t, err)
	newCert, newKey := selfSigned(t, "bench.example.net")
	must(t, os.Rename(newKey, key)) // half of it: the old pair goes on
	must(t, os.Chtimes(cert, time.Now(), time.Now().Add(time.Hour)))
	c.looked = time.Time{}
	if got, err := c.get(nil); err != nil || got != before {
		t.Error("half a renewal was taken", err)
	}
	must(t, os.Rename(newCert, cert))
	must(t, os.Chtimes(cert, time.Now(), time.Now().Add(2*time.Hour)))
	c.looked = time.Time{}
	if got, err := c.get(nil); err != nil || got == before {
		t.Error("the renewed one is not served", err)
	}
}
