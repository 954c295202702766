package brokerlink

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"time"

	"gritwatch/internal/yamlfile"
)

// Near is how long before its end a certificate is warned of.
const Near = 30 * 24 * time.Hour

// maxFile bounds a file of a password, a key or certificates, bytes.
const maxFile = 1 << 20

// A Finding is a line about the files of a broker, for people.
type Finding struct {
	Text string
	Warn bool // somebody should do something
}

// String is the line as it is printed.
func (f Finding) String() string {
	if f.Warn {
		return "warning: " + f.Text
	}
	return f.Text
}

// Look looks into the files that the settings name, which were read from m. What keeps the link from working is noted in m;
// the rest is told. A certificate out of its time is told only, because the clock may be what is wrong.
func (s Settings) Look(m yamlfile.Map, now time.Time) []Finding {
	var out []Finding
	switch {
	case s.PasswordFile != "":
		if _, err := passwordIn(s.PasswordFile); err != nil {
			m.Fail("password_file", err.Error(), "name a file that this user may read, with the password as its one line")
		}
		out = append(out, Exposed(s.PasswordFile)...)
	case s.PasswordEnv != "" && os.Getenv(s.PasswordEnv) == "":
		out = append(out, Finding{Text: fmt.Sprintf("the environment variable %s, which holds the password, is not set here", s.PasswordEnv), Warn: true})
	case s.Password != "":
		out = append(out, Finding{Text: "the password stands in this file: keep others from reading it, or put the password into a file of its own (password_file)"})
	}
	if s.User != "" && s.URL != "" && !s.TLS() && !local(s.Address()) {
		out = append(out, Finding{Text: "the password travels unencrypted: use mqtts:// where the broker can", Warn: true})
	}
	if s.CA != "" {
		found, err := Authorities(s.CA, now)
		if err != nil {
			m.Fail("ca", err.Error(), "name a file with the authority's certificate in PEM")
		}
		out = append(out, found...)
	}
	if s.Cert != "" && s.Key != "" {
		pair, field, err := LoadPair(s.Cert, s.Key)
		if err != nil {
			m.Fail(field, err.Error(), "cert is the certificate with those between it and its authority, key its private key, in PEM")
		} else {
			out = append(out, Validity("own certificate "+s.Cert, pair.Leaf, now))
		}
		out = append(out, Exposed(s.Key)...)
	}
	return out
}

// Exposed warns of a secret that every user of the machine can read.
func Exposed(path string) []Finding {
	if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o004 != 0 {
		return []Finding{{Text: fmt.Sprintf("%s can be read by every user of this machine: chmod o= %s", path, path), Warn: true}}
	}
	return nil
}

// Validity says until when a certificate is valid; a warning where that is near, past or not yet.
func Validity(what string, c *x509.Certificate, now time.Time) Finding {
	what = fmt.Sprintf("%s (%s)", what, nameOf(c))
	switch left := c.NotAfter.Sub(now); {
	case now.Before(c.NotBefore):
		return Finding{Text: fmt.Sprintf("%s is not valid before %s, and this machine's clock says %s: is the clock right?", what, day(c.NotBefore), minute(now)), Warn: true}
	case left <= 0:
		return Finding{Text: fmt.Sprintf("%s expired on %s, and this machine's clock says %s: renew it, if the clock is right", what, day(c.NotAfter), minute(now)), Warn: true}
	case left < Near:
		return Finding{Text: fmt.Sprintf("%s expires on %s, in %d days: renew it", what, day(c.NotAfter), int(left/(24*time.Hour))), Warn: true}
	default:
		return Finding{Text: fmt.Sprintf("%s is valid until %s, for %d days", what, day(c.NotAfter), int(left/(24*time.Hour)))}
	}
}

func day(t time.Time) string    { return t.UTC().Format("2006-01-02") }
func minute(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 MST") }

// nameOf is a certificate's name for people.
func nameOf(c *x509.Certificate) string {
	if c.Subject.CommonName != "" {
		return c.Subject.CommonName
	}
	return strings.Join(names(c), ", ")
}

// names are what a certificate is for.
func names(c *x509.Certificate) []string {
	out := append([]string{}, c.DNSNames...)
	for _, ip := range c.IPAddresses {
		out = append(out, ip.String())
	}
	return out
}

// shown is how many authorities of a file are told one by one.
const shown = 4

// Authorities says until when those in a PEM file are valid: of a file of many, those to be warned of.
func Authorities(path string, now time.Time) ([]Finding, error) {
	certs, err := readCerts(path)
	if err != nil {
		return nil, err
	}
	var out []Finding
	for _, c := range certs {
		if f := Validity("authority "+path, c, now); f.Warn || len(certs) <= shown {
			out = append(out, f)
		}
	}
	return out, nil
}

// Pool is the authorities of a PEM file.
func Pool(path string) (*x509.CertPool, error) {
	certs, err := readCerts(path)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	for _, c := range certs {
		pool.AddCert(c)
	}
	return pool, nil
}

// LoadPair reads a certificate and its key; field says which of the two, cert or key, an error is about.
func LoadPair(cert, key string) (pair tls.Certificate, field string, err error) {
	certs, err := readCerts(cert)
	if err != nil {
		return pair, "cert", err
	}
	text, err := readFile(key)
	if err != nil {
		return pair, "key", err
	}
	var chain []byte
	for _, c := range certs {
		chain = append(chain, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})...)
	}
	pair, err = tls.X509KeyPair(chain, text)
	if err != nil {
		return pair, "key", fmt.Errorf("%s is not the key of %s: %s", key, cert, strings.TrimPrefix(err.Error(), "tls: "))
	}
	pair.Leaf = certs[0]
	return pair, "", nil
}

// readCerts reads the certificates of a PEM file, of which there is one at least.
func readCerts(path string) ([]*x509.Certificate, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, err
	}
	var out []*x509.Certificate
	for {
		var block *pem.Block
		if block, text = pem.Decode(text); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s holds a certificate that cannot be read: %w", path, err)
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no certificate in PEM", path)
	}
	return out, nil
}

// readFile reads a plain file of a sensible size; anything else could block, or never end.
func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a file", path)
	}
	var f *os.File
	if err == nil {
		f, err = os.Open(path)
	}
	if err != nil {
		var pe *fs.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	if len(text) > maxFile {
		return nil, fmt.Errorf("%s has more than %d bytes", path, maxFile)
	}
	return text, nil
}

// local tells whether an address is this machine's own loopback, which no other machine reaches.
func local(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}
