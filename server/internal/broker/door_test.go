package broker_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/crypto/bcrypt"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/brokerlink/brokerlinktest"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/broker"
	"gritwatch/server/internal/broker/access"
)

// A log that can be read while it is written.
type lines struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lines) Write(p []byte) (int, error) { l.mu.Lock(); defer l.mu.Unlock(); return l.b.Write(p) }
func (l *lines) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), text)
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(time.Minute)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// A secured is a broker with users and certificates, and two agents and an observer among its users.
type secured struct {
	t     *testing.T
	b     *broker.Broker
	log   *lines
	users string // file
	dir   string
	site  *brokerlinktest.Authority
}

const site = "harrow-quay"

func password(name string) string { return "password of " + name }

func put(t *testing.T, path string, kind access.Kind, name, password string) {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost) // so that tests under the race detector end
	if err != nil {
		t.Fatal(err)
	}
	if err := access.Put(path, access.User{Kind: kind, Name: name, Hash: string(hash)}, true); err != nil {
		t.Fatal(err)
	}
}

func secure(t *testing.T, change func(*broker.Options)) *secured {
	t.Helper()
	dir := t.TempDir()
	s := &secured{t: t, log: &lines{}, dir: dir, users: filepath.Join(dir, "users"), site: brokerlinktest.NewAuthority(t, dir, "site")}
	put(t, s.users, access.Agent, "quay-1", password("quay-1"))
	put(t, s.users, access.Agent, "quay-2", password("quay-2"))
	put(t, s.users, access.Observer, "wall", password("wall"))
	cert, key := s.site.Issue("broker", brokerlinktest.Leaf{})
	o := broker.Options{Addr: "127.0.0.1:0", Site: site, Log: slog.New(slog.NewTextHandler(io.MultiWriter(s.log, t.Output()), nil)),
		Cert: cert, Key: key, ClientCA: s.site.File, Users: s.users, Agents: []string{"quay-1", "quay-2", "quay-3"}}
	if change != nil {
		change(&o)
	}
	var err error
	if s.b, err = broker.Start(o); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.b.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// A client as it connects.
type client struct {
	user, password string
	id             string
	cert           string // whose certificate; "": none
	will           string // topic
}

func agent(name string) client {
	return client{user: name, password: password(name), id: points.AgentClientID(site, name)}
}

// connect says CONNECT and gives the error, nil when it was let in.
func (s *secured) connect(c client) (mqtt.Client, error) {
	s.t.Helper()
	config := &tls.Config{RootCAs: x509.NewCertPool()}
	text, err := os.ReadFile(s.site.File)
	if err != nil || !config.RootCAs.AppendCertsFromPEM(text) {
		s.t.Fatal(err)
	}
	if c.cert != "" {
		pair, err := tls.LoadX509KeyPair(s.site.Issue(c.cert, brokerlinktest.Leaf{}))
		if err != nil {
			s.t.Fatal(err)
		}
		config.Certificates = []tls.Certificate{pair}
	}
	o := mqtt.NewClientOptions().AddBroker("ssl://" + s.b.Addr()).SetTLSConfig(config).SetClientID(c.id).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectTimeout(time.Minute).SetUsername(c.user).SetPassword(c.password)
	if c.will != "" {
		o.SetWill(c.will, "gone", 1, false)
	}
	m := mqtt.NewClient(o)
	token := m.Connect()
	if !token.WaitTimeout(2 * time.Minute) {
		s.t.Fatal("no answer")
	}
	s.t.Cleanup(func() { m.Disconnect(0) })
	return m, token.Error()
}

func (s *secured) join(c client) mqtt.Client {
	s.t.Helper()
	m, err := s.connect(c)
	if err != nil {
		s.t.Fatalf("%+v: %v", c, err)
	}
	return m
}

func done(t *testing.T, token mqtt.Token) error {
	t.Helper()
	if !token.WaitTimeout(time.Minute) {
		t.Fatal("no answer")
	}
	return token.Error()
}

// TestWhoIsLetIn: log-ins, certificates, client ids and wills, each refused with the code that says why (MQTT 3.1.1, 3.2.2.3).
func TestWhoIsLetIn(t *testing.T) {
	s := secure(t, nil)
	const birth = "spBv1.0/harrow-quay/NDEATH/"
	with := func(c client, change func(*client)) client { change(&c); return c }
	for name, c := range map[string]struct {
		c    client
		want string // the code's words in the library; "": let in
	}{
		"agent":                      {agent("quay-1"), ""},
		"agent with its will":        {with(agent("quay-1"), func(c *client) { c.will = birth + "quay-1" }), ""},
		"observer":                   {client{user: "wall", password: password("wall"), id: "tablet"}, ""},
		"observer of no id":          {client{user: "wall", password: password("wall")}, ""},
		"by certificate":             {client{cert: "quay-3", id: points.AgentClientID(site, "quay-3")}, ""},
		"password and certificate":   {with(agent("quay-2"), func(c *client) { c.cert = "quay-2" }), ""},
		"nobody":                     {client{id: "x"}, "Authorized"},
		"wrong password":             {with(agent("quay-1"), func(c *client) { c.password = "x" }), "user name or password"},
		"no password":                {with(agent("quay-1"), func(c *client) { c.password = "" }), "user name or password"},
		"unknown user":               {client{user: "quay-9", password: "x", id: points.AgentClientID(site, "quay-9")}, "user name or password"},
		"another's client id":        {with(agent("quay-1"), func(c *client) { c.id = points.AgentClientID(site, "quay-2") }), "Identifier"},
		"the server's client id":     {with(agent("quay-1"), func(c *client) { c.id = "gritwatch-server-harrow-quay" }), "Identifier"},
		"an agent's id, by observer": {client{user: "wall", password: password("wall"), id: points.AgentClientID(site, "quay-1")}, "Identifier"},
		"another's will":             {with(agent("quay-1"), func(c *client) { c.will = birth + "quay-2" }), "Authorized"},
		"a command for a will":       {with(agent("quay-1"), func(c *client) { c.will = "spBv1.0/harrow-quay/NCMD/quay-1" }), "Authorized"},
		"STATE for a will":           {with(agent("quay-1"), func(c *client) { c.will = "spBv1.0/STATE/gritwatch" }), "Authorized"},
		"an observer's will":         {client{user: "wall", password: password("wall"), id: "tablet", will: birth + "quay-1"}, "Authorized"},
		"certificate of nobody here": {client{cert: "quay-9", id: points.AgentClientID(site, "quay-9")}, "Authorized"},
		"another's certificate":      {with(agent("quay-1"), func(c *client) { c.cert = "quay-2" }), "Authorized"},
		"id not of the certificate":  {client{cert: "quay-3", id: points.AgentClientID(site, "quay-1")}, "Identifier"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := s.connect(c.c)
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(c.want)) {
				t.Errorf("error %v, want %q", err, c.want)
			}
		})
	}
	if n := s.log.count("refused a client of the broker: it is not known, or gave a wrong password\" user=quay-1"); n != 1 {
		t.Errorf("two wrong passwords were told %d times", n)
	}
	if s.log.count(password("quay-1")) > 0 {
		t.Error("a password is in the log")
	}
}

// TestStrangersCertificate: one of another authority ends the handshake.
func TestStrangersCertificate(t *testing.T) {
	s := secure(t, nil)
	other := brokerlinktest.NewAuthority(t, t.TempDir(), "other")
	cert, key := other.Issue("quay-3", brokerlinktest.Leaf{})
	link := brokerlink.New(brokerlink.Settings{URL: "mqtts://" + s.b.Addr(), CA: s.site.File, Cert: cert, Key: key}, logger(t))
	c, err := link.Dial(t.Context())
	if err == nil { // with TLS 1.3 the broker's word comes with the first reading
		defer c.Close()
		if err = c.SetDeadline(time.Now().Add(time.Minute)); err == nil {
			_, err = c.Read(make([]byte, 1))
		}
	}
	if f := link.Settings().Explain(err, "c"); f.Kind != brokerlink.OwnCert {
		t.Errorf("%v", err)
	}
}

// TestCertificatesAlone: without a users' file a certificate is needed.
func TestCertificatesAlone(t *testing.T) {
	s := secure(t, func(o *broker.Options) { o.Users = "" })
	s.join(client{cert: "quay-1", id: points.AgentClientID(site, "quay-1")})
	if _, err := s.connect(agent("quay-1")); err == nil {
		t.Error("let in without a certificate")
	}
}

// TestRights: an agent's messages of its own arrive, those of others do not, whatever their QoS; and it hears its own commands
// and no others.
func TestRights(t *testing.T) {
	s := secure(t, nil)
	heard := make(chan string, 100)
	wall := s.join(client{user: "wall", password: password("wall"), id: "tablet"})
	if err := done(t, wall.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() })); err != nil {
		t.Fatal(err)
	}
	one := s.join(agent("quay-1"))
	for _, topic := range []string{"spBv1.0/harrow-quay/NBIRTH/quay-2", "spBv1.0/harrow-quay/DDATA/quay-2/alder", "spBv1.0/harrow-quay/NCMD/quay-2",
		"spBv1.0/harrow-quay/NCMD/quay-1", "spBv1.0/STATE/gritwatch", "spBv1.0/other/NBIRTH/quay-1", "anything"} {
		if err := done(t, one.Publish(topic, 0, false, "x")); err != nil {
			t.Fatal(err)
		}
		// Over QoS 0 the broker drops it; over QoS 1 it ends the connection.
		two, err := s.connect(agent("quay-2"))
		if err != nil {
			t.Fatal(err)
		}
		two.Publish(strings.Replace(topic, "quay-2", "quay-1", 1), 1, true, "x")
		eventually(t, "connection ended", func() bool { return !two.IsConnectionOpen() })
	}
	if err := done(t, wall.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, "x")); err != nil {
		t.Fatal(err)
	}
	for _, topic := range []string{"spBv1.0/harrow-quay/NBIRTH/quay-1", "spBv1.0/harrow-quay/DDATA/quay-1/alder"} {
		if err := done(t, one.Publish(topic, 0, false, "x")); err != nil {
			t.Fatal(err)
		}
		if got := <-heard; got != topic {
			t.Errorf("heard %s, want %s", got, topic)
		}
	}

	for filter, want := range map[string]bool{"spBv1.0/harrow-quay/NCMD/quay-1": true, "spBv1.0/STATE/gritwatch": true, "#": false,
		"spBv1.0/harrow-quay/NCMD/quay-2": false, "spBv1.0/harrow-quay/DDATA/#": false} {
		token := one.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
			if m.Topic() == filter { // the library calls the handlers of refused subscriptions too
				heard <- "agent: " + m.Topic()
			}
		})
		err := done(t, token)
		if granted := token.(*mqtt.SubscribeToken).Result()[filter] <= 2; err == nil && granted != want || want && err != nil {
			t.Errorf("subscription to %s: granted %v, error %v", filter, granted, err)
		}
	}
	host := s.host()
	for _, topic := range []string{"spBv1.0/harrow-quay/NCMD/quay-2", "spBv1.0/harrow-quay/NCMD/quay-1"} {
		if err := done(t, host.Publish(topic, 1, false, "x")); err != nil {
			t.Fatal(err)
		}
	}
	got := map[string]int{<-heard: 1}
	got[<-heard]++
	got[<-heard]++
	if got["agent: spBv1.0/harrow-quay/NCMD/quay-1"] != 1 || got["spBv1.0/harrow-quay/NCMD/quay-1"] != 1 || got["spBv1.0/harrow-quay/NCMD/quay-2"] != 1 {
		t.Errorf("heard %v", got)
	}
	if s.log.count("tried to publish what it may not\" user=quay-1") != 1 || s.log.count("tried to read what it may not\" user=quay-1") != 1 {
		t.Error("not told once each")
	}
}

// host is a client with the server's own way in.
func (s *secured) host() mqtt.Client {
	s.t.Helper()
	m := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://inside").SetClientID("gritwatch-server-harrow-quay").SetProtocolVersion(4).
		SetAutoReconnect(false).SetCustomOpenConnectionFn(open(s.b)))
	if err := done(s.t, m.Connect()); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { m.Disconnect(0) })
	return m
}

// TestNobodyThrowsOut: an agent's connection, and the server's, stand while others ask for their client ids.
func TestNobodyThrowsOut(t *testing.T) {
	s := secure(t, nil)
	host, one := s.host(), s.join(agent("quay-1"))
	for _, c := range []client{
		{user: "quay-2", password: password("quay-2"), id: points.AgentClientID(site, "quay-1")},
		{user: "wall", password: password("wall"), id: points.AgentClientID(site, "quay-1")},
		{id: points.AgentClientID(site, "quay-1")},
		{user: "wall", password: password("wall"), id: "gritwatch-server-harrow-quay"},
		{cert: "quay-2", id: points.AgentClientID(site, "quay-1")},
	} {
		if _, err := s.connect(c); err == nil {
			t.Errorf("%+v was let in", c)
		}
	}
	if err := done(t, one.Publish("spBv1.0/harrow-quay/NDATA/quay-1", 1, false, "x")); err != nil || !one.IsConnectionOpen() || !host.IsConnectionOpen() {
		t.Errorf("a connection was ended: %v", err)
	}
	// Two observers may not take each other's either.
	put(t, s.users, access.Observer, "desk", password("desk"))
	wall := s.join(client{user: "wall", password: password("wall"), id: "tablet"})
	eventually(t, "the new user counts", func() bool {
		_, err := s.connect(client{user: "desk", password: password("desk"), id: "desk"})
		return err == nil
	})
	if _, err := s.connect(client{user: "desk", password: password("desk"), id: "tablet"}); err == nil || !wall.IsConnectionOpen() {
		t.Errorf("took the client id of another user: %v", err)
	}
	// Its own agent may: the former connection may be half dead.
	again := s.join(agent("quay-1"))
	eventually(t, "the former ended", func() bool { return !one.IsConnectionOpen() })
	if !again.IsConnectionOpen() {
		t.Error("the new connection was ended")
	}
}

// TestOpenBrokerKeepsItsServer: where everybody is let in, the server's own connection cannot be taken all the same.
func TestOpenBrokerKeepsItsServer(t *testing.T) {
	b, err := broker.Start(broker.Options{Addr: "127.0.0.1:0", Site: site, Log: logger(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	s := &secured{t: t, b: b}
	host := s.host()
	m := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID("gritwatch-server-harrow-quay").SetProtocolVersion(4).SetAutoReconnect(false))
	if err := done(t, m.Connect()); err == nil || !host.IsConnectionOpen() {
		t.Errorf("error %v", err)
	}
}

// TestChangedUsers: a user who is taken out, or gets another password, is ended at once; a file that cannot be used changes
// nothing.
func TestChangedUsers(t *testing.T) {
	s := secure(t, nil)
	one, two := s.join(agent("quay-1")), s.join(agent("quay-2"))
	text, err := os.ReadFile(s.users)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.users, append(text, "nonsense\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	eventually(t, "told", func() bool { return s.log.count("the changed users' file cannot be used") == 1 })
	if !one.IsConnectionOpen() || !two.IsConnectionOpen() {
		t.Error("ended by a file that cannot be used")
	}
	var kept []string
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "agent quay-1 ") {
			kept = append(kept, line)
		}
	}
	if err := os.WriteFile(s.users, []byte(strings.Join(kept, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	eventually(t, "removed agent ended", func() bool { return !one.IsConnectionOpen() })
	if _, err := s.connect(agent("quay-1")); err == nil {
		t.Error("a removed agent was let in")
	}
	if !two.IsConnectionOpen() {
		t.Error("another agent was ended")
	}
	put(t, s.users, access.Agent, "quay-2", "new")
	eventually(t, "agent with an old password ended", func() bool { return !two.IsConnectionOpen() })
	if _, err := s.connect(agent("quay-2")); err == nil {
		t.Error("an old password was taken")
	}
}

// TestRenewedCertificate: the broker's new certificate counts for the next connection.
func TestRenewedCertificate(t *testing.T) {
	s := secure(t, nil)
	serial := func() string {
		t.Helper()
		c, err := tls.Dial("tcp", s.b.Addr(), &tls.Config{InsecureSkipVerify: true}) // the test looks at the certificate itself
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		return fmt.Sprint(c.ConnectionState().PeerCertificates[0].SerialNumber)
	}
	first := serial()
	s.site.Issue("broker", brokerlinktest.Leaf{})
	if second := serial(); second == first {
		t.Error("still the former certificate")
	}
	if err := os.WriteFile(filepath.Join(s.dir, "broker.pem"), []byte("spoilt"), 0o600); err != nil {
		t.Fatal(err)
	}
	serial() // the former one stays
	if s.log.count("the broker's changed certificate cannot be used") != 1 {
		t.Error("not told")
	}
}

// TestOldTLS: TLS 1.1 is refused.
func TestOldTLS(t *testing.T) {
	s := secure(t, nil)
	c, err := tls.Dial("tcp", s.b.Addr(), &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
	if err == nil {
		c.Close()
		t.Error("spoke TLS 1.1")
	}
}

// TestCloseWithSilentVisitors: somebody who never says CONNECT does not keep the broker from closing.
func TestCloseWithSilentVisitors(t *testing.T) {
	b, err := broker.Start(broker.Options{Addr: "127.0.0.1:0", Log: logger(t)})
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Write([]byte{0x10}); err != nil { // the first byte of a CONNECT
		t.Fatal(err)
	}
	began := time.Now() // the broker would throw the visitor out after 10 s
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	if d := time.Since(began); d > 8*time.Second {
		t.Errorf("closing took %v", d)
	}
}

func TestBadFiles(t *testing.T) {
	for name, o := range map[string]broker.Options{
		"no users":       {Users: "nowhere"},
		"no certificate": {Cert: "nowhere.pem", Key: "nowhere.key"},
	} {
		o.Addr, o.Log = "127.0.0.1:0", logger(t)
		if b, err := broker.Start(o); err == nil || !strings.Contains(err.Error(), "nowhere") {
			t.Errorf("%s: %v", name, err)
			if err == nil {
				b.Close()
			}
		}
	}
}
