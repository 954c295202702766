package post

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"regexp"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
)

// Settings are the keys that say where to and how. Files are as written: those that are not absolute are looked for where the
// server runs.
type Settings struct {
	URL         string
	CA          string        // PEM: the authorities that may have signed the receiver's certificate; empty: the system's
	Timeout     time.Duration // for one attempt
	Unencrypted bool          // http:// to another machine is meant
}

const (
	usualTimeout = 10 * time.Second
	longest      = time.Minute
)

// Read reads the keys url, ca, timeout and unencrypted. It looks into no file; Look does.
func Read(m yamlfile.Map, example string) Settings {
	o := m.Optional()
	s := Settings{CA: o.String("ca"), Timeout: Timeout(m), Unencrypted: o.Bool("unencrypted")}
	s.URL = yamlfile.Scalar(m, "url", example, func(text string) (string, error) { return parse(text, example, s.Unencrypted) })
	if s.URL != "" && s.CA != "" && !strings.HasPrefix(s.URL, "https:") {
		m.Fail("ca", "has no use without TLS", "write https:// in url")
	}
	return s
}

// Timeout is the key of that name.
func Timeout(m yamlfile.Map) time.Duration {
	if !m.Has("timeout") {
		return usualTimeout
	}
	t := m.Duration("timeout")
	if t > longest || t != 0 && t < time.Second {
		m.Fail("timeout", fmt.Sprintf("%v is not from 1 s to 1 min", t), "")
	}
	return t
}

// parse checks an address. No error holds more of it than the host: there may be a secret in the path.
func parse(text, example string, clear bool) (string, error) {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http":
		return "", fmt.Errorf("is not the address of a receiver; write for example %s", example)
	case u.User != nil:
		return "", fmt.Errorf("holds a log-in for %s; take it out of the address", u.Host)
	case u.Fragment != "":
		return "", errors.New("has a # behind it; take it off")
	case u.Scheme == "http" && !clear && !Local(u.Hostname()):
		return "", fmt.Errorf("would tell %s unencrypted; write https://, or add unencrypted: true if everybody on the way may read and change it", u.Host)
	}
	return text, nil
}

// Local tells whether a host is this machine's own loopback.
func Local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Where is the address without what may be secret in it.
func (s Settings) Where() string {
	u, err := url.Parse(s.URL)
	if err != nil {
		return ""
	}
	return u.Scheme + "://" + u.Host
}

// Look looks into the file of ca, which was read from m.
func (s Settings) Look(m yamlfile.Map, now time.Time) []brokerlink.Finding {
	out := LookCA(s.CA, m, now)
	if u, err := url.Parse(s.URL); err == nil && u.Scheme == "http" && !Local(u.Hostname()) {
		out = append(out, brokerlink.Finding{Text: s.Where() + " is told unencrypted", Warn: true})
	}
	return out
}

// LookCA looks into a file of authorities; none: the system's.
func LookCA(ca string, m yamlfile.Map, now time.Time) []brokerlink.Finding {
	if ca == "" {
		return nil
	}
	found, err := brokerlink.Authorities(ca, now)
	if err != nil {
		m.Fail("ca", err.Error(), "name a file with the authority's certificate in PEM")
	}
	return found
}

// A Secret is where one is kept: in a file, or in a variable of the environment. It is read anew each time, so that one that was
// replaced counts at once.
type Secret struct{ File, Env string }

var envPattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// ReadSecret reads the keys what_file and what_env. A secret itself is not taken in the site's file.
func ReadSecret(m yamlfile.Map, what string) Secret {
	if m.Has(what) {
		m.Fail(what, "stands in this file", "put it into a file of its own and name that in "+what+"_file, or a variable of the environment in "+what+"_env")
	}
	o := m.Optional()
	s := Secret{File: o.String(what + "_file"), Env: yamlfile.Scalar(o, what+"_env", "", func(name string) (string, error) {
		if !envPattern.MatchString(name) {
			return "", errors.New("is not the name of an environment variable; write its name here, never the secret itself")
		}
		return name, nil
	})}
	if s.File != "" && s.Env != "" {
		m.Fail(what+"_env", "stands beside "+what+"_file", "write one of the two")
	}
	return s
}

// Given tells whether the file says where the secret is.
func (s Secret) Given() bool { return s.File != "" || s.Env != "" }

// Value is the secret, read anew. No error holds it.
func (s Secret) Value() (string, error) {
	if s.File == "" {
		v := os.Getenv(s.Env)
		if v == "" {
			return "", fmt.Errorf("the environment variable %s is not set", s.Env)
		}
		return v, nil
	}
	const most = 4 << 10
	info, err := os.Stat(s.File)
	if err != nil {
		return "", err
	}
	if !info.Mode().IsRegular() || info.Size() > most {
		return "", fmt.Errorf("%s is no plain file of one line", s.File)
	}
	text, err := os.ReadFile(s.File)
	if err != nil {
		return "", err
	}
	line := strings.TrimRight(string(text), "\r\n")
	if line == "" || strings.ContainsAny(line, "\r\n") {
		return "", fmt.Errorf("%s does not hold one line with the secret", s.File)
	}
	return line, nil
}

// Look looks whether the secret is there and in order, as check says of its text, and who can read it.
func (s Secret) Look(m yamlfile.Map, what string, check func(string) error) []brokerlink.Finding {
	if !s.Given() {
		return nil
	}
	v, err := s.Value()
	if err == nil {
		err = check(v)
	}
	if s.File != "" {
		if err != nil {
			m.Fail(what+"_file", err.Error(), "name a file that this user may read, with the secret as its one line")
		}
		return brokerlink.Exposed(s.File)
	}
	if err != nil {
		return []brokerlink.Finding{{Text: err.Error(), Warn: true}} // it may be set only where the server runs
	}
	return nil
}
