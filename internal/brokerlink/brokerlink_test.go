package brokerlink_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"pgregory.net/rapid"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/brokerlink/brokerlinktest"
	"gritwatch/internal/yamlfile"
)

func logger(t *testing.T) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

// patience is for what comes at once on an idle machine, and late on a busy one.
const patience = time.Minute

// connect says CONNECT over a link, as agent and server do, and gives what became of it.
func connect(t *testing.T, s brokerlink.Settings, timeout time.Duration) error {
	t.Helper()
	l := brokerlink.New(s, logger(t))
	user, password, err := l.Login()
	if err != nil {
		return err
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://x").SetClientID("c").SetProtocolVersion(4).SetAutoReconnect(false).
		SetUsername(user).SetPassword(password).SetConnectTimeout(timeout).
		SetCustomOpenConnectionFn(dialer(l, timeout)))
	token := c.Connect()
	if !token.WaitTimeout(2 * patience) {
		t.Fatal("neither connected nor given up")
	}
	c.Disconnect(0)
	return token.Error()
}

// serve answers every connection as a broker would: with a CONNACK of the code, after a handshake where config is not nil.
func serve(t *testing.T, config *tls.Config, code byte) (addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.SetDeadline(time.Now().Add(patience))
			if config != nil {
				c = tls.Server(c, config)
			}
			if _, err := packets.ReadPacket(c); err == nil {
				ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
				ack.ReturnCode = code
				_ = ack.Write(c)
				_, _ = io.Copy(io.Discard, c)
			}
			c.Close()
		}
	}()
	t.Cleanup(func() { l.Close(); <-done })
	return l.Addr().String()
}

func server(t *testing.T, p pairFiles) *tls.Config {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(p.cert, p.key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}}
}

// TestExplain: every way in which a link fails has a line of its own, which says what to do. The same failure gives the same
// line, so that the log can keep quiet about it.
func TestExplain(t *testing.T) {
	dir := t.TempDir()
	site, other := brokerlinktest.NewAuthority(t, dir, "site"), brokerlinktest.NewAuthority(t, dir, "other")
	now := time.Now()
	good := server(t, pairOf(site.Issue("broker", brokerlinktest.Leaf{})))
	past := server(t, pairOf(site.Issue("past", brokerlinktest.Leaf{From: now.AddDate(0, -2, 0), Until: now.Add(-time.Hour)})))
	early := server(t, pairOf(site.Issue("early", brokerlinktest.Leaf{From: now.AddDate(0, 1, 0), Until: now.AddDate(0, 2, 0)})))
	foreign := server(t, pairOf(site.Issue("foreign", brokerlinktest.Leaf{Names: []string{"pots.example", "10.0.0.5"}})))
	mutual := good.Clone()
	mutual.ClientAuth = tls.RequireAndVerifyClientCert
	mutual.ClientCAs = poolOf(t, site.File)
	own := pairOf(site.Issue("quay-1", brokerlinktest.Leaf{}))
	stranger := pairOf(other.Issue("quay-2", brokerlinktest.Leaf{}))
	old := pairOf(site.Issue("quay-3", brokerlinktest.Leaf{From: now.AddDate(0, -2, 0), Until: now.Add(-time.Hour)}))

	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { silent.Close() })
	shut := silent.Addr().String()
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := closed.Addr().String()
	closed.Close()

	overTLS := func(c *tls.Config, code byte) brokerlink.Settings {
		return brokerlink.Settings{URL: "mqtts://" + serve(t, c, code), CA: site.File}
	}
	with := func(s brokerlink.Settings, change func(*brokerlink.Settings)) brokerlink.Settings {
		change(&s)
		return s
	}
	for name, c := range map[string]struct {
		s    brokerlink.Settings
		kind brokerlink.Kind
		want string // behind the address; a regular expression
	}{
		"wrong password":     {with(overTLS(good, 4), func(s *brokerlink.Settings) { s.User, s.Password = "quay-1", "x" }), brokerlink.Login, ` refuses user "quay-1" or its password: check both here and at the broker`},
		"not authorised":     {with(overTLS(good, 5), func(s *brokerlink.Settings) { s.User, s.Password = "quay-1", "x" }), brokerlink.Login, ` refuses user "quay-1" or its password: check both here and at the broker`},
		"no log-in":          {overTLS(good, 5), brokerlink.Login, ` wants a log-in: write user and password_file`},
		"client id":          {overTLS(good, 2), brokerlink.ClientID, ` refuses the client id "c": allow it there for this user`},
		"busy":               {overTLS(good, 3), brokerlink.Busy, ` takes nobody now: is it starting, or are too many connected\?`},
		"old protocol":       {overTLS(good, 1), brokerlink.Protocol, ` does not speak MQTT 3\.1\.1`},
		"wrong authority":    {with(overTLS(good, 0), func(s *brokerlink.Settings) { s.CA = other.File }), brokerlink.Authority, `: its certificate comes from another authority than those in .*other-ca\.pem: is that the right file, and the right broker\?`},
		"unknown authority":  {with(overTLS(good, 0), func(s *brokerlink.Settings) { s.CA = "" }), brokerlink.Authority, `: its certificate comes from an authority that this machine does not know: name the authority's certificate under ca`},
		"expired":            {overTLS(past, 0), brokerlink.Expired, `: its certificate \(past\) expired on \S+ \S+ UTC, and this machine's clock says \S+ \S+ UTC: renew the certificate, or set the clock if it is wrong`},
		"not valid yet":      {overTLS(early, 0), brokerlink.NotYet, `: its certificate \(early\) is not valid before \S+ \S+ UTC, and this machine's clock says \S+ \S+ UTC: set the clock, which is probably wrong`},
		"another name":       {overTLS(foreign, 0), brokerlink.Name, `: its certificate is for pots\.example, 10\.0\.0\.5, not for 127\.0\.0\.1: write one of its names as server_name, or correct url`},
		"no own certificate": {overTLS(mutual, 0), brokerlink.OwnCert, ` wants a certificate of this side.*: write cert and key`},
		"own from elsewhere": {with(overTLS(mutual, 0), func(s *brokerlink.Settings) { s.Cert, s.Key = stranger.cert, stranger.key }), brokerlink.OwnCert, ` refuses this side's certificate \(.*quay-2\.pem\): .*`},
		"own expired":        {with(overTLS(mutual, 0), func(s *brokerlink.Settings) { s.Cert, s.Key = old.cert, old.key }), brokerlink.OwnCert, ` says that this side's certificate \(.*quay-3\.pem\) is expired: renew it, or set the broker's clock if that is wrong`},
		"no right by cert":   {with(overTLS(mutual, 5), func(s *brokerlink.Settings) { s.Cert, s.Key = own.cert, own.key }), brokerlink.Login, ` gives the owner of the certificate .*quay-1\.pem no right to connect: check its name and the broker's rules`},
		"TLS to a plain one": {brokerlink.Settings{URL: "mqtts://" + serve(t, nil, 0), CA: site.File}, brokerlink.Closed, ` closed the connection in the TLS handshake: does it speak TLS there\?`},
		"plain to a TLS one": {brokerlink.Settings{URL: "mqtt://" + serve(t, good, 0)}, brokerlink.Closed, ` closed the connection instead of answering: if it speaks TLS there, write mqtts://`},
		"nobody listens":     {brokerlink.Settings{URL: "mqtt://" + nobody}, brokerlink.Refused, ` refuses the connection: is it running\?`},
		"no answer":          {brokerlink.Settings{URL: "mqtt://" + shut}, brokerlink.Silent, ` does not answer: are address and network right\?`},
		"no such host":       {brokerlink.Settings{URL: "mqtt://broker.invalid:1883"}, brokerlink.NotFound, `: host broker\.invalid is not found: is the name right, is the network up\?`}, // RFC 6761, 6.4
		"authority gone":     {with(overTLS(good, 0), func(s *brokerlink.Settings) { s.CA = filepath.Join(dir, "gone.pem") }), brokerlink.Misconfigured, `: ca: .*gone\.pem cannot be read: no such file or directory`},
		"password gone":      {brokerlink.Settings{URL: "mqtt://" + nobody, User: "u", PasswordFile: filepath.Join(dir, "gone")}, brokerlink.Misconfigured, `: password_file: .*gone cannot be read: no such file or directory`},
		"variable not set":   {brokerlink.Settings{URL: "mqtt://" + nobody, User: "u", PasswordEnv: "GRITWATCH_TEST_NOT_SET"}, brokerlink.Misconfigured, `: password_env: the environment variable GRITWATCH_TEST_NOT_SET is not set`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			said, timeout := brokerlink.Repeat{}, patience
			if c.kind == brokerlink.Silent {
				timeout = time.Second
			}
			for i := range 2 {
				err := connect(t, c.s, timeout)
				if err == nil {
					t.Fatal("connected")
				}
				f := c.s.Explain(err, "c")
				want := "^broker " + regexp.QuoteMeta(c.s.URL) + c.want + "$"
				if f.Kind != c.kind || !regexp.MustCompile(want).MatchString(f.Error()) || strings.Contains(f.Error(), "\n") {
					t.Errorf("kind %d\n%s\nwant kind %d\n%s\nof %v", f.Kind, f, c.kind, want, err)
				}
				if _, say := said.Failure(fmt.Errorf("in a session: %w", f), time.Now()); say != (i == 0) {
					t.Errorf("said %v the %d. time", say, i+1)
				}
			}
		})
	}
	for name, s := range map[string]brokerlink.Settings{
		"TLS":             overTLS(good, 0),
		"own certificate": with(overTLS(mutual, 0), func(s *brokerlink.Settings) { s.Cert, s.Key = own.cert, own.key }),
		"server name":     with(overTLS(foreign, 0), func(s *brokerlink.Settings) { s.ServerName = "pots.example" }),
		"plain":           {URL: "mqtt://" + serve(t, nil, 0)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if err := connect(t, s, patience); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestUnreachable: what the system says of a network that is down cannot be brought about in a test.
func TestUnreachable(t *testing.T) {
	s := brokerlink.Settings{URL: "mqtt://10.0.0.5:1883"}
	for _, code := range []string{"ENETUNREACH", "EHOSTUNREACH"} {
		err := &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", errno[code])}
		if f := s.Explain(err, "c"); f.Kind != brokerlink.Unreachable || f.Error() != "broker mqtt://10.0.0.5:1883 cannot be reached: there is no way to it; is the network up?" {
			t.Errorf("%s: %v", code, f)
		}
	}
	// The ports of an attempt are no part of what is said: the log would never keep quiet.
	one := s.Explain(&net.OpError{Op: "read", Net: "tcp", Source: &net.TCPAddr{Port: 5001}, Err: errors.New("broken")}, "c")
	two := s.Explain(&net.OpError{Op: "read", Net: "tcp", Source: &net.TCPAddr{Port: 5002}, Err: errors.New("broken")}, "c")
	if one.Error() != two.Error() || one.Kind != brokerlink.Other {
		t.Errorf("%v and %v", one, two)
	}
}

// TestOldTLS: TLS 1.1 is not spoken.
func TestOldTLS(t *testing.T) {
	dir := t.TempDir()
	site := brokerlinktest.NewAuthority(t, dir, "site")
	old := server(t, pairOf(site.Issue("broker", brokerlinktest.Leaf{})))
	old.MinVersion, old.MaxVersion = tls.VersionTLS10, tls.VersionTLS11
	s := brokerlink.Settings{URL: "mqtts://" + serve(t, old, 0), CA: site.File}
	if err := connect(t, s, patience); err == nil {
		t.Error("connected over TLS 1.1")
	} else if f := s.Explain(err, "c"); f.Kind != brokerlink.Protocol || !strings.Contains(f.Error(), "protocol version") {
		t.Errorf("kind %d: %v", f.Kind, f)
	}
}

// TestReplacedFiles: a new password and a new certificate count for the next connection, without a restart.
func TestReplacedFiles(t *testing.T) {
	dir := t.TempDir()
	site, other := brokerlinktest.NewAuthority(t, dir, "site"), brokerlinktest.NewAuthority(t, dir, "other")
	broker := server(t, pairOf(site.Issue("broker", brokerlinktest.Leaf{})))
	password := filepath.Join(dir, "password")
	write(t, password, "first\n", 0o600)
	ca := filepath.Join(dir, "ca.pem")
	copyFile(t, other.File, ca)
	s := brokerlink.Settings{URL: "mqtts://" + serve(t, broker, 0), CA: ca, User: "u", PasswordFile: password}
	l := brokerlink.New(s, logger(t))
	dial := func() error {
		c, err := l.Dial(t.Context())
		if err == nil {
			c.Close()
		}
		return err
	}
	if err := dial(); err == nil {
		t.Error("connected to a broker of another authority")
	}
	copyFile(t, site.File, ca)
	if err := dial(); err != nil {
		t.Error(err)
	}
	write(t, password, "second\r\n", 0o600)
	if user, got, err := l.Login(); user != "u" || got != "second" || err != nil {
		t.Errorf("%q %q %v", user, got, err)
	}
}

// TestWarnsOfTheEnd: certificates that end soon are warned of, once a day each.
func TestWarnsOfTheEnd(t *testing.T) {
	dir := t.TempDir()
	site := brokerlinktest.NewAuthority(t, dir, "site")
	soon := brokerlinktest.Leaf{Until: time.Now().Add(9*24*time.Hour + time.Hour)}
	broker := server(t, pairOf(site.Issue("broker", soon)))
	own := pairOf(site.Issue("quay-1", soon))
	var out bytes.Buffer
	l := brokerlink.New(brokerlink.Settings{URL: "mqtts://" + serve(t, broker, 0), CA: site.File, Cert: own.cert, Key: own.key},
		slog.New(slog.NewTextHandler(&out, nil)))
	for range 3 {
		c, err := l.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		c.Close()
	}
	for _, want := range []string{"the broker's certificate (broker) expires on ", "quay-1.pem (quay-1) expires on "} {
		if n := strings.Count(out.String(), want); n != 1 || !strings.Contains(out.String(), "in 9 days: renew it") {
			t.Errorf("%q %d times:\n%s", want, n, out.String())
		}
	}
}

// TestLook: what check prints of the files, and what it refuses, with the line.
func TestLook(t *testing.T) {
	dir := t.TempDir()
	site, other := brokerlinktest.NewAuthority(t, dir, "site"), brokerlinktest.NewAuthority(t, dir, "other")
	now := time.Date(2026, 11, 28, 12, 0, 0, 0, time.UTC)
	leaf := func(from, until int) brokerlinktest.Leaf {
		return brokerlinktest.Leaf{From: now.AddDate(0, 0, from), Until: now.AddDate(0, 0, until)}
	}
	for name, l := range map[string]brokerlinktest.Leaf{"own": leaf(-1, 100), "past": leaf(-9, -1), "soon": leaf(-9, 12), "early": leaf(3, 100)} {
		site.Issue(name, l)
	}
	other.Issue("strange", leaf(-1, 100))
	secret, open, empty, two := filepath.Join(dir, "secret"), filepath.Join(dir, "open"), filepath.Join(dir, "empty"), filepath.Join(dir, "two")
	write(t, secret, "s\n", 0o640)
	write(t, open, "s\n", 0o644)
	write(t, empty, "\n", 0o600)
	write(t, two, "a\nb\n", 0o600)
	write(t, filepath.Join(dir, "text.pem"), "hello", 0o600)
	t.Setenv("GRITWATCH_TEST_SET", "x")
	for name, c := range map[string]struct {
		keys string
		err  string   // the whole error, DIR for the folder
		want []string // a finding each
	}{
		"nothing":          {"", "", nil},
		"all well":         {"user: u, password_file: DIR/secret, cert: DIR/own.pem, key: DIR/own.key", "", []string{"own certificate DIR/own.pem (own) is valid until 2027-03-08, for 100 days"}},
		"authority":        {"ca: DIR/site-ca.pem", "", []string{"authority DIR/site-ca.pem (site) is valid until "}},
		"password to all":  {"user: u, password_file: DIR/open", "", []string{"warning: DIR/open can be read by every user of this machine: chmod o= DIR/open"}},
		"variable":         {"user: u, password_env: GRITWATCH_TEST_SET", "", nil},
		"variable missing": {"user: u, password_env: GRITWATCH_TEST_NOT_SET", "", []string{"warning: the environment variable GRITWATCH_TEST_NOT_SET, which holds the password, is not set here"}},
		"in the file":      {"user: u, password: s", "", []string{"the password stands in this file: keep others from reading it, or put the password into a file of its own (password_file)"}},
		"past":             {"cert: DIR/past.pem, key: DIR/past.key", "", []string{"warning: own certificate DIR/past.pem (past) expired on 2026-11-27, and this machine's clock says 2026-11-28 12:00 UTC: renew it, if the clock is right"}},
		"soon":             {"cert: DIR/soon.pem, key: DIR/soon.key", "", []string{"warning: own certificate DIR/soon.pem (soon) expires on 2026-12-10, in 12 days: renew it"}},
		"early":            {"cert: DIR/early.pem, key: DIR/early.key", "", []string{"warning: own certificate DIR/early.pem (early) is not valid before 2026-12-01, and this machine's clock says 2026-11-28 12:00 UTC: is the clock right?"}},
		"no password file": {"user: u, password_file: DIR/gone", "agent.yaml:2: broker.password_file: DIR/gone cannot be read: no such file or directory; name a file that this user may read, with the password as its one line", nil},
		"empty password":   {"user: u, password_file: DIR/empty", "agent.yaml:2: broker.password_file: DIR/empty does not hold one line with the password; name a file that this user may read, with the password as its one line", nil},
		"two lines":        {"user: u, password_file: DIR/two", "agent.yaml:2: broker.password_file: DIR/two does not hold one line with the password; name a file that this user may read, with the password as its one line", nil},
		"a folder":         {"user: u, password_file: DIR", "agent.yaml:2: broker.password_file: DIR is not a file; name a file that this user may read, with the password as its one line", nil},
		"no authority":     {"ca: DIR/text.pem", "agent.yaml:2: broker.ca: DIR/text.pem holds no certificate in PEM; name a file with the authority's certificate in PEM", nil},
		"another's key":    {"cert: DIR/own.pem, key: DIR/strange.key", "agent.yaml:2: broker.key: DIR/strange.key is not the key of DIR/own.pem: private key does not match public key; cert is the certificate with those between it and its authority, key its private key, in PEM", nil},
		"key for cert":     {"cert: DIR/own.key, key: DIR/own.pem", "agent.yaml:2: broker.cert: DIR/own.key holds no certificate in PEM; cert is the certificate with those between it and its authority, key its private key, in PEM", nil},
	} {
		t.Run(name, func(t *testing.T) {
			in := strings.NewReplacer("DIR", dir)
			doc, err := yamlfile.Parse("agent.yaml", fmt.Appendf(nil, "site: x\nbroker: {url: \"mqtts://broker.example\", %s}\n", in.Replace(c.keys)))
			if err != nil {
				t.Fatal(err)
			}
			m := doc.Map()
			m.String("site")
			s := brokerlink.Read(m.Map("broker"))
			if err := doc.Err(); err != nil {
				t.Fatal(err)
			}
			found := s.Look(m.Map("broker"), now)
			if err := doc.Err(); (err == nil) != (c.err == "") || err != nil && err.Error() != cut(in.Replace(c.err)) {
				t.Errorf("error\n%v\nwant\n%s", err, in.Replace(c.err))
			}
			if len(found) != len(c.want) {
				t.Errorf("found %v, want %d", found, len(c.want))
				return
			}
			for i, f := range found {
				if !strings.HasPrefix(f.String(), in.Replace(c.want[i])) {
					t.Errorf("found\n%s\nwant\n%s", f, in.Replace(c.want[i]))
				}
			}
		})
	}
}

// TestReadableOnTheWire: a password without TLS is warned of, but on loopback.
func TestReadableOnTheWire(t *testing.T) {
	for url, warned := range map[string]bool{"mqtt://10.0.0.5": true, "mqtt://127.0.0.1": false, "mqtts://10.0.0.5": false, "tcp://localhost": false} {
		doc, err := yamlfile.Parse("agent.yaml", fmt.Appendf(nil, "url: %q\nuser: u\npassword: p\n", url))
		if err != nil {
			t.Fatal(err)
		}
		found := brokerlink.Read(doc.Map()).Look(doc.Map(), time.Now())
		got := false
		for _, f := range found {
			got = got || f.Warn && f.Text == "the password travels unencrypted: use mqtts:// where the broker can"
		}
		if got != warned || doc.Err() != nil {
			t.Errorf("%s: %v, error %v", url, found, doc.Err())
		}
	}
}

// TestPace: each wait is about twice the last until the most, more patient where somebody must do something first; a
// connection that held begins anew.
func TestPace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := brokerlink.Pace{First: time.Second, Last: 10 * time.Second}
		s := brokerlink.Settings{URL: "mqtt://h:1"}
		due := time.Second
		for range rapid.IntRange(1, 30).Draw(t, "failures") {
			last := 10 * time.Second
			err := error(s.Explain(io.EOF, "c"))
			if rapid.Bool().Draw(t, "standing") {
				last = brokerlink.StandingWait
				err = fmt.Errorf("session: %w", s.Explain(packets.ErrorRefusedBadUsernameOrPassword, "c"))
			}
			due = min(due, last)
			if got := p.Next(err); got < due/2 || got >= due*3/2 {
				t.Fatalf("waits %v where %v is due", got, due)
			}
			due *= 2
			if rapid.Float64Range(0, 1).Draw(t, "held") > 0.9 {
				p.Held()
				due = time.Second
			}
		}
	})
}

// TestParseURL: the address as it is used.
func TestParseURL(t *testing.T) {
	for in, want := range map[string]string{"mqtt://h": "mqtt://h:1883", "tcp://h": "mqtt://h:1883", "mqtts://h": "mqtts://h:8883", "mqtts://h:1": "mqtts://h:1",
		"mqtt://[::1]": "mqtt://[::1]:1883", "mqtt://h/": "mqtt://h:1883"} {
		if got, err := brokerlink.ParseURL(in); got != want || err != nil {
			t.Errorf("%s: %s, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "h", "h:1883", "http://h", "mqtt://", "mqtt://:1883", "mqtt://h:0", "mqtt://h:70000", "mqtt://u:p@h", "mqtt://h/x", "mqtt://h?q", "mqtt://h#f"} {
		if got, err := brokerlink.ParseURL(in); err == nil || strings.Contains(err.Error(), "u:p") {
			t.Errorf("%s: %s, %v", in, got, err)
		}
	}
}

// A pairFiles is a certificate and its key, in files.
type pairFiles struct{ cert, key string }

func pairOf(cert, key string) pairFiles { return pairFiles{cert, key} }
func write(t *testing.T, path, text string, perm os.FileMode) {
	t.Helper()
	if err := errors.Join(os.WriteFile(path, []byte(text), perm), os.Chmod(path, perm)); err != nil {
		t.Fatal(err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	write(t, to, string(text), 0o600)
}

func poolOf(t *testing.T, path string) *x509.CertPool {
	t.Helper()
	pool, err := brokerlink.Pool(path)
	if err != nil {
		t.Fatal(err)
	}
	return pool
}

// cut is an error as a file's problems show it, which end after 400 bytes.
func cut(s string) string {
	if len(s) > 400 {
		return s[:400] + "…"
	}
	return s
}
