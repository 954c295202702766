// Package brokerlink is how agent and server reach an MQTT broker that others run: its keys in their files, the log-in, TLS,
// and what a failure means in words for people.
//
// Passwords, certificates and keys are read anew for every attempt, so that one that was replaced is taken without a
// restart.
package brokerlink

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"regexp"
	"strconv"
	"strings"

	"gritwatch/internal/yamlfile"
)

// Settings are the keys of `broker:` that name an outside broker. Files are as written: those that are not absolute are
// looked for where the program runs.
type Settings struct {
	URL          string // mqtt://host:port, or mqtts://host:port for TLS
	User         string // empty: none
	Password     string // as it stands in the file; empty: none, or kept elsewhere
	PasswordFile string // whose first line is the password
	PasswordEnv  string // the environment variable that holds it
	CA           string // PEM: the authorities that may have signed the broker's certificate; empty: the system's
	Cert, Key    string // PEM: this side's own certificate and its key; empty: none
	ServerName   string // in the broker's certificate; empty: the URL's host
}

// Keys are those of Settings in a file.
var Keys = []string{"url", "user", "username", "password", "password_file", "password_env", "ca", "cert", "key", "server_name"}

const example = "mqtt://127.0.0.1:1883"

var envPattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// Read reads the keys of an outside broker. It looks into no file; Look does.
func Read(m yamlfile.Map) Settings {
	o := m.Optional()
	s := Settings{
		URL:  yamlfile.Scalar(m, "url", example, ParseURL),
		User: o.String("user"), Password: o.String("password"), PasswordFile: o.String("password_file"),
		CA: o.String("ca"), Cert: o.String("cert"), Key: o.String("key"), ServerName: o.String("server_name"),
		PasswordEnv: yamlfile.Scalar(o, "password_env", "", func(name string) (string, error) {
			if !envPattern.MatchString(name) {
				return "", errors.New("is not the name of an environment variable; write its name here, never the password itself")
			}
			return name, nil
		}),
	}
	if m.Has("username") { // as the key was once called
		if s.User != "" {
			m.Fail("username", "stands beside user", "write user alone")
		}
		s.User = o.String("username")
	}
	var given []string
	for _, key := range []string{"password", "password_file", "password_env"} {
		if m.Has(key) {
			given = append(given, key)
		}
	}
	switch {
	case len(given) > 1:
		m.Fail(given[1], "stands beside "+given[0], "write one of the two")
	case len(given) == 1 && s.User == "":
		m.Fail(given[0], "stands without a user", "add user")
	}
	switch {
	case s.Cert != "" && s.Key == "":
		m.Fail("cert", "stands without its key", "add key")
	case s.Key != "" && s.Cert == "":
		m.Fail("key", "stands without its certificate", "add cert")
	}
	if s.URL != "" && !s.TLS() {
		for _, key := range []string{"ca", "cert", "key", "server_name"} {
			if m.Has(key) {
				m.Fail(key, "has no use without TLS", "write mqtts:// in url")
			}
		}
	}
	return s
}

// TLS tells whether the broker is spoken to over TLS.
func (s Settings) TLS() bool { return strings.HasPrefix(s.URL, "mqtts:") }

// Address is the broker's host:port.
func (s Settings) Address() string {
	_, address, _ := strings.Cut(s.URL, "://")
	return address
}

// name is what the broker's certificate must be for.
func (s Settings) name() string {
	if s.ServerName != "" {
		return s.ServerName
	}
	host, _, _ := net.SplitHostPort(s.Address())
	return host
}

// ParseURL checks the address of a broker, and puts in the usual port where none is given.
func ParseURL(text string) (string, error) {
	const hint = "write for example " + example + ", or mqtts://... for TLS"
	shown := redact(text)
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" {
		return "", fmt.Errorf("%q is not the address of a broker; %s", shown, hint)
	}
	port := map[string]string{"mqtt": "1883", "tcp": "1883", "mqtts": "8883"}[u.Scheme] // IANA's
	switch {
	case port == "":
		return "", fmt.Errorf("%q has the scheme %q, which is not spoken here; %s", shown, u.Scheme, hint)
	case u.User != nil:
		return "", fmt.Errorf("%q holds a log-in; write user and password_file beside url", shown)
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		return "", fmt.Errorf("%q has something behind host and port; %s", shown, hint)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return "", fmt.Errorf("%q has a port that is not from 1 to 65535; %s", shown, hint)
	}
	scheme := "mqtt"
	if u.Scheme == "mqtts" {
		scheme = "mqtts"
	}
	return scheme + "://" + net.JoinHostPort(u.Hostname(), port), nil
}

// redact takes a log-in out of an address, so that it shows in no message.
func redact(s string) string {
	i := strings.LastIndex(s, "@")
	if i < 0 {
		return s
	}
	if j := strings.Index(s, "://"); j >= 0 && j+3 <= i {
		return s[:j+3] + "..." + s[i:]
	}
	return "..." + s[i:]
}

// Login is the user and the password, read anew.
func (s Settings) Login() (user, password string, err error) {
	switch {
	case s.PasswordFile != "":
		password, err = passwordIn(s.PasswordFile)
		if err != nil {
			return "", "", &fileError{fmt.Errorf("password_file: %w", err)}
		}
	case s.PasswordEnv != "":
		if password = os.Getenv(s.PasswordEnv); password == "" {
			return "", "", &fileError{fmt.Errorf("password_env: the environment variable %s is not set", s.PasswordEnv)}
		}
	default:
		password = s.Password
	}
	return s.User, password, nil
}

// passwordIn is the one line of a file.
func passwordIn(path string) (string, error) {
	text, err := readFile(path)
	if err != nil {
		return "", err
	}
	line := strings.TrimRight(string(text), "\r\n")
	if line == "" || strings.ContainsAny(line, "\r\n") {
		return "", fmt.Errorf("%s does not hold one line with the password", path)
	}
	return line, nil
}
