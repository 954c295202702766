// Package brokerlinktest makes certificates for tests of brokers.
package brokerlinktest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// An Authority signs certificates. File holds its own, in PEM.
type Authority struct {
	File string

	t    testing.TB
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// A Leaf is what a certificate is to be like. The zero value is for 127.0.0.1, valid from an hour ago for 90 days.
type Leaf struct {
	Names       []string // hosts and addresses; nil: 127.0.0.1; empty: none
	From, Until time.Time
}

// NewAuthority makes an authority whose files stand in dir, valid whatever the time is.
func NewAuthority(t testing.TB, dir, name string) *Authority {
	t.Helper()
	a := &Authority{t: t, dir: dir, key: newKey(t), File: filepath.Join(dir, name+"-ca.pem")}
	a.cert = &x509.Certificate{SerialNumber: serial(t), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Unix(0, 0), NotAfter: time.Unix(1<<32, 0)}
	a.sign(a.File, a.cert, a.key)
	return a
}

// Issue makes a certificate, for servers and clients, and its key, readable by this user alone.
func (a *Authority) Issue(name string, l Leaf) (cert, key string) {
	a.t.Helper()
	if l.Names == nil {
		l.Names = []string{"127.0.0.1"}
	}
	if l.From.IsZero() {
		l.From = time.Now().Add(-time.Hour)
	}
	if l.Until.IsZero() {
		l.Until = time.Now().AddDate(0, 0, 90)
	}
	c := &x509.Certificate{SerialNumber: serial(a.t), Subject: pkix.Name{CommonName: name}, NotBefore: l.From, NotAfter: l.Until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	for _, n := range l.Names {
		if ip := net.ParseIP(n); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, n)
		}
	}
	k := newKey(a.t)
	cert, key = filepath.Join(a.dir, name+".pem"), filepath.Join(a.dir, name+".key")
	a.sign(cert, c, k)
	der, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		a.t.Fatal(err)
	}
	write(a.t, key, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: der}))
	return cert, key
}

func (a *Authority) sign(path string, c *x509.Certificate, k *ecdsa.PrivateKey) {
	a.t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &k.PublicKey, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	write(a.t, path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

func write(t testing.TB, path string, text []byte) {
	t.Helper()
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func serial(t testing.TB) *big.Int {
	t.Helper()
	n, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	return n
}
