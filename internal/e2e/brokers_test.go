package e2e_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/crypto/bcrypt"

	"gritwatch/internal/brokerlink/brokerlinktest"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// A guarded is a site whose broker wants TLS and passwords: the embedded one, or another program set up by the files of
// deploy.
type guarded struct {
	*site
	kind          string // embedded, mosquitto, nats
	ca            *brokerlinktest.Authority
	passwords     map[string]string
	server, agent *program
	outside       *program // the broker, where it is not the server
	watch         *listener
	cut           time.Time // when something was killed last: what is read of before then is old after 2 s
}

// TestAnyBroker: on each broker the agent's births, data, death and rebirth, the server's STATE and echoes arrive; a broker
// that is killed under load is found again by both; an agent speaks for itself alone; and each thing that can be wrong with
// log-in or certificate has its line, said once.
func TestAnyBroker(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"embedded", "mosquitto", "nats"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			g := newGuarded(t, kind)
			g.lives("at the start")
			g.echoes()
			g.dies()
			g.isBornAgain()
			g.brokerIsKilled()
			g.rights()
			g.wrongLogins()
			g.expires()
		})
	}
}

func newGuarded(t *testing.T, kind string) *guarded {
	g := &guarded{site: newSite(t), kind: kind, passwords: map[string]string{}}
	pots := []pot{{name: "alder"}, {name: "birch", agent: "quay-2"}}
	g.ca = brokerlinktest.NewAuthority(t, g.dir, "site")
	brokerlinktest.NewAuthority(t, g.dir, "other")
	g.certify(brokerlinktest.Leaf{})
	broker := fmt.Sprintf(`{url: "mqtts://%s", user: gritwatch-server, password_file: gritwatch-server.password, ca: site-ca.pem}`, g.mqtt)
	if kind == "embedded" {
		broker = `{embedded: "$MQTT", tls: {cert: broker.pem, key: broker.key}, users: users}`
	}
	g.write("site.yaml", strings.Replace(siteConfig(pots), `{embedded: "$MQTT"}`, broker, 1))
	g.write("sim.yaml", simConfig(pots[:1], "line"))
	g.write("agent.yaml", g.agentFile("quay-1", "line", pots[:1], "quay-1.password", "site-ca.pem"))
	g.users("gritwatch-server", "quay-1", "quay-2", "observer")

	g.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", "truth.jsonl").says("lines ready", soon)
	g.startBroker()
	if kind != "embedded" {
		g.startServer()
	}
	g.watch = g.observe()
	for _, program := range []string{"gritwatch-agent", "gritwatch-server"} {
		file := map[string]string{"gritwatch-agent": "agent.yaml", "gritwatch-server": "site.yaml"}[program]
		p := g.start(program, "check", "--config", file)
		if code := p.exit(soon); code != 0 || !strings.Contains(p.out.String(), "is valid until ") {
			t.Errorf("%s check ends with %d:\n%s", program, code, p.out.String())
		}
	}
	g.agent = g.start("gritwatch-agent", "run", "--config", "agent.yaml")
	return g
}

func (g *guarded) agentFile(agent, links string, pots []pot, password, ca string) string {
	return strings.Replace(agentConfig(agent, g.mqtt, links, pots), fmt.Sprintf(`{url: "mqtt://%s"}`, g.mqtt),
		fmt.Sprintf(`{url: "mqtts://%s", user: %s, password_file: %s, ca: %s}`, g.mqtt, agent, password, ca), 1)
}

// certify gives the broker a certificate.
func (g *guarded) certify(l brokerlinktest.Leaf) {
	host, _, err := net.SplitHostPort(g.mqtt)
	if err != nil {
		g.t.Fatal(err)
	}
	l.Names = []string{host}
	g.ca.Issue("broker", l)
}

// users gives passwords, each kept in a file of the user's name, and sets the broker up.
func (g *guarded) users(names ...string) {
	g.t.Helper()
	for _, name := range names {
		file := name + ".password"
		if g.kind == "embedded" {
			if name == "gritwatch-server" {
				continue // it needs none
			}
			args := []string{"agent", "add", "--name", name, "--out", file}
			if name == "observer" {
				args = append(args, "--observer")
			}
			p := g.start("gritwatch-server", args...)
			if code := p.exit(soon); code != 0 {
				g.t.Fatalf("agent add ends with %d:\n%s", code, p.out.String())
			}
		} else if err := os.WriteFile(filepath.Join(g.dir, file), fmt.Appendf(nil, "password of %s\n", name), 0o600); err != nil {
			g.t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(g.dir, file))
		if err != nil {
			g.t.Fatal(err)
		}
		g.passwords[name] = strings.TrimSpace(string(text))
	}
	_, port, err := net.SplitHostPort(g.mqtt)
	if err != nil {
		g.t.Fatal(err)
	}
	host := strings.TrimSuffix(g.mqtt, ":"+port)
	switch g.kind {
	case "mosquitto":
		for _, name := range names {
			if out, err := exec.Command("mosquitto_passwd", "-b", g.touch("passwords"), name, g.passwords[name]).CombinedOutput(); err != nil {
				g.t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
			}
		}
		me, err := user.Current()
		if err != nil {
			g.t.Fatal(err)
		}
		// As root it would become another user, who may not look into this folder.
		g.write("mosquitto.conf", g.deployed("mosquitto/mosquitto.conf", "listener 8883 0.0.0.0", "listener "+port+" "+host,
			"/etc/mosquitto/gritwatch/", g.dir+"/")+"user "+me.Username+"\n")
		g.write("acl", g.deployed("mosquitto/acl"))
	case "nats":
		hash := func(name string) string {
			h, err := bcrypt.GenerateFromPassword([]byte(g.passwords[name]), bcrypt.MinCost)
			if err != nil {
				g.t.Fatal(err)
			}
			return string(h)
		}
		g.write("nats.conf", g.deployed("nats/nats.conf", "host: 0.0.0.0", "host: "+host, "port: 8883", "port: "+port, "port: 4222", "port: -1", // any free one
			"/var/lib/nats", g.dir+"/jetstream", "/etc/nats/", g.dir+"/", "$SERVER_HASH", hash("gritwatch-server"), "$QUAY_1_HASH", hash("quay-1"),
			"$QUAY_2_HASH", hash("quay-2"), "$OBSERVER_HASH", hash("observer")))
	}
}

func (g *guarded) touch(name string) string {
	g.t.Helper()
	path := filepath.Join(g.dir, name)
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		g.t.Fatal(err)
	}
	f.Close()
	return path
}

// deployed is a file of deploy with texts replaced; each must stand in it.
func (g *guarded) deployed(name string, replace ...string) string {
	g.t.Helper()
	text, err := os.ReadFile(filepath.Join("../../deploy", name))
	if err != nil {
		g.t.Fatal(err)
	}
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(string(text), replace[i]) {
			g.t.Fatalf("%s does not hold %q", name, replace[i])
		}
	}
	return strings.NewReplacer(replace...).Replace(string(text))
}

// natsServer builds the pinned nats-server once: the one of Debian 12, 2.9, takes no dot in a topic.
var natsServer = sync.OnceValues(func() (string, error) {
	path := filepath.Join(bin, "nats-server")
	cmd := exec.Command("go", "build", "-C", "testdata/nats", "-o", path, "github.com/nats-io/nats-server/v2")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build of nats-server: %w\n%s", err, out)
	}
	return path, nil
})

func (g *guarded) startBroker() {
	g.t.Helper()
	switch g.kind {
	case "embedded":
		g.startServer()
	case "mosquitto":
		g.outside = g.command("/usr/sbin/mosquitto", "-c", "mosquitto.conf", "-v")
		g.outside.says("running", soon)
	case "nats":
		path, err := natsServer()
		if err != nil {
			g.t.Fatal(err)
		}
		g.outside = g.command(path, "-c", "nats.conf")
		g.outside.says("Listening for MQTT clients", soon)
	}
}

func (g *guarded) killBroker() {
	defer func() { g.cut = time.Now() }()
	if g.kind == "embedded" {
		g.server.kill()
		return
	}
	g.outside.kill()
}

func (g *guarded) startServer() {
	g.t.Helper()
	g.server = g.start("gritwatch-server", "run", "--config", "site.yaml")
	g.server.says("dashboard: ", soon)
}

// recovers is how long agent and server may take to find their broker again: the longest wait after a refusal, half as much again
// by chance, and the connection.
const recovers = 60 * time.Second

// lives waits until the server has fresh readings of the pot.
func (g *guarded) lives(when string) {
	g.t.Helper()
	began := time.Now()
	eventually(g.t, recovers, "fresh readings "+when, func() bool {
		pots, err := g.pots()
		return err == nil && time.Since(g.cut) > 3*time.Second && pots["alder"].AgeS != nil && *pots["alder"].AgeS < 2
	})
	g.t.Logf("%s: fresh readings %s after %v", g.kind, when, time.Since(began).Round(100*time.Millisecond))
}

func (g *guarded) echoes() {
	g.t.Helper()
	count := regexp.MustCompile(`(?m)^gritwatch_ingest_latency_seconds_count\{.*\} [1-9]`)
	eventually(g.t, soon, "echo", func() bool {
		res, err := http.Get("http://" + g.http + "/metrics")
		if err != nil {
			return false
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		return err == nil && count.Match(body)
	})
	g.watch.hears("NBIRTH/quay-1", 1)
	g.watch.hears("DBIRTH/quay-1/alder", 1)
	g.watch.hears("DDATA/quay-1/alder", 5)
	g.watch.isOnline(true)
}

// dies: the will of a killed agent is its death; it comes back with the next number.
func (g *guarded) dies() {
	g.t.Helper()
	births, deaths := g.watch.count("NBIRTH/quay-1"), g.watch.count("NDEATH/quay-1") // a connection that was given up at the start has its will too
	number := g.watch.bdSeq("NBIRTH/quay-1")
	g.agent.kill()
	g.cut = time.Now()
	g.watch.hears("NDEATH/quay-1", deaths+1)
	if got := g.watch.bdSeq("NDEATH/quay-1"); got != number {
		g.t.Errorf("the will has the number %d, the birth had %d", got, number)
	}
	eventually(g.t, soon, "the agent's silence", func() bool {
		pots, err := g.pots()
		return err == nil && slices.Contains(pots["alder"].Answer.Because, "agent-silent")
	})
	g.agent = g.start("gritwatch-agent", "run", "--config", "agent.yaml")
	g.watch.hears("NBIRTH/quay-1", births+1)
	g.lives("after the agent was killed")
	if got := g.watch.bdSeq("NBIRTH/quay-1"); got != (number+1)%256 {
		g.t.Errorf("the next birth has the number %d after %d", got, number)
	}
}

// isBornAgain: a server that starts asks for births, and says that it is there.
func (g *guarded) isBornAgain() {
	g.t.Helper()
	if g.kind == "embedded" {
		return // its broker would end with it, see brokerIsKilled
	}
	births, deaths := g.watch.count("NBIRTH/quay-1"), g.watch.count("NDEATH/quay-1")
	g.server.stop()
	g.cut = time.Now()
	g.watch.isOnline(false)
	g.startServer()
	g.watch.isOnline(true)
	g.watch.hears("NBIRTH/quay-1", births+1)
	g.lives("after the server started anew")
	if n := g.watch.count("NDEATH/quay-1") - deaths; n != 0 {
		g.t.Errorf("%d deaths: the births were not of the same session", n)
	}
}

func (g *guarded) brokerIsKilled() {
	g.t.Helper()
	g.killBroker()
	g.agent.line(g.t.(*testing.T), "next try in", g.mqtt)
	before := g.watch.count("DDATA/quay-1/alder")
	g.startBroker()
	// The birth may come before the observer is back. Without it the server would take no data.
	g.watch.hears("DDATA/quay-1/alder", before+1)
	g.lives("after the broker was killed")
	g.watch.isOnline(true)
	if n := strings.Count(g.agent.out.String(), "next try in"); n > 4 {
		g.t.Errorf("the agent told %d times that the broker is away:\n%s", n, g.agent.out.String())
	}
}

// rights: with the password of one agent nothing of another can be said, no command and no STATE.
func (g *guarded) rights() {
	g.t.Helper()
	c := g.client("quay-2", "gritwatch-agent-harrow-quay-quay-2", nil)
	payload, err := sparkplug.EncodeData(si.InstantOf(time.Now()), 1, []sparkplug.Metric{sparkplug.Uint(points.MetricClockEpoch, si.InstantOf(time.Now()), 1)})
	if err != nil {
		g.t.Fatal(err)
	}
	g.watch.reset()
	for _, topic := range []string{"NBIRTH/quay-1", "NDEATH/quay-1", "DDATA/quay-1/alder", "NCMD/quay-1", "DCMD/quay-1/alder", "NCMD/quay-2"} {
		g.publish(c, "spBv1.0/harrow-quay/"+topic, string(payload))
	}
	g.publish(c, "spBv1.0/STATE/gritwatch", `{"online":false,"timestamp":1}`)
	g.publish(c, "spBv1.0/harrow-quay/NDATA/quay-2", string(payload))
	g.watch.hears("NDATA/quay-2", 1) // the broker keeps the order, so the others came before or do not come
	for _, topic := range g.watch.topics() {
		if !strings.Contains(topic, "DATA/quay-1") && topic != "NDATA/quay-2" && !strings.HasPrefix(topic, "NCMD/") {
			g.t.Errorf("heard %s", topic)
		}
	}
	// The server commands both, quay-2 to be born.
	for _, topic := range []string{"NCMD/quay-1", "NCMD/quay-2"} {
		if n := g.watch.bySeq(topic); n > 0 {
			g.t.Errorf("an agent's %s went through %d times", topic, n)
		}
	}
	if n := g.watch.counted("DDATA/quay-1/alder", string(payload)); n > 0 {
		g.t.Errorf("another agent's data went through %d times", n)
	}
	c.Disconnect(100)
	// Nor by a will, nor by the other's client id, for which NATS alone has no rule.
	id := "gritwatch-agent-harrow-quay-quay-1"
	if g.kind == "nats" {
		id = "gritwatch-agent-harrow-quay-quay-2"
	}
	before := g.watch.count("DDATA/quay-1/alder")
	evil := g.clientOptions("quay-2", id).SetWill("spBv1.0/harrow-quay/NDEATH/quay-1", "x", 1, false)
	var conn net.Conn
	evil.SetCustomOpenConnectionFn(func(_ *url.URL, o mqtt.ClientOptions) (c net.Conn, err error) {
		conn, err = tls.Dial("tcp", g.mqtt, o.TLSConfig)
		return conn, err
	})
	if !mqtt.NewClient(evil).Connect().WaitTimeout(soon) {
		g.t.Fatal("no answer to CONNECT")
	}
	conn.Close() // without DISCONNECT, so that a will would be given out
	g.watch.hears("DDATA/quay-1/alder", before+10)
	if n := g.watch.count("NDEATH/quay-1"); n != 0 {
		g.t.Errorf("a will in the name of another agent was given out %d times, or its connection was taken", n)
	}
}

// wrongLogins: a wrong password and a wrong authority are told in a line of their own, once.
func (g *guarded) wrongLogins() {
	g.t.Helper()
	pots := []pot{{name: "birch"}}
	g.write("wrong.password", "not the password\n")
	g.write("password.yaml", g.agentFile("quay-2", "nowhere", pots, "wrong.password", "site-ca.pem"))
	g.write("authority.yaml", strings.Replace(g.agentFile("quay-2", "nowhere", pots, "quay-2.password", "other-ca.pem"), "journal-", "journal-other-", 1))
	password := g.start("gritwatch-agent", "run", "--config", "password.yaml")
	authority := g.start("gritwatch-agent", "run", "--config", "authority.yaml")
	password.line(g.t.(*testing.T), "broker mqtts://"+g.mqtt+` refuses user \"quay-2\" or its password: check both here and at the broker; next try in`)
	authority.line(g.t.(*testing.T), "broker mqtts://"+g.mqtt+": its certificate comes from another authority than those in other-ca.pem: is that the right file, and the right broker?; next try in")
	began := time.Now()
	eventually(g.t, soon, "5 s gone", func() bool { return time.Since(began) > 5*time.Second })
	for _, p := range []*program{password, authority} {
		if n := strings.Count(p.out.String(), "next try in"); n != 1 {
			g.t.Errorf("told %d times in 5 s:\n%s", n, p.out.String())
		}
		p.stop()
	}
}

// expires: an expired certificate of the broker is told by agent and server, and a renewed one ends it.
func (g *guarded) expires() {
	g.t.Helper()
	t := g.t.(*testing.T)
	births := g.watch.count("NBIRTH/quay-1")
	g.killBroker()
	g.certify(brokerlinktest.Leaf{From: time.Now().AddDate(0, -1, 0), Until: time.Now().Add(-time.Hour)})
	g.startBroker()
	g.agent.line(t, "broker mqtts://"+g.mqtt+": its certificate (broker) expired on ", "this machine's clock says", "renew the certificate, or set the clock if it is wrong")
	if g.kind == "embedded" {
		g.server.line(t, "certificate broker.pem (broker) expired on ", "renew it, if the clock is right")
	} else {
		g.server.line(t, "no link to the broker", "its certificate (broker) expired on ")
	}
	g.killBroker()
	g.certify(brokerlinktest.Leaf{})
	g.startBroker()
	g.watch.hears("NBIRTH/quay-1", births+1)
	g.lives("after the certificate was renewed")
}

func (g *guarded) publish(c mqtt.Client, topic, payload string) {
	g.t.Helper()
	if token := c.Publish(topic, 0, false, payload); !token.WaitTimeout(soon) || token.Error() != nil {
		g.t.Fatalf("%s: %v", topic, token.Error())
	}
}

func (g *guarded) clientOptions(user, id string) *mqtt.ClientOptions {
	g.t.Helper()
	text, err := os.ReadFile(g.ca.File)
	pool := x509.NewCertPool()
	if err != nil || !pool.AppendCertsFromPEM(text) {
		g.t.Fatal(err)
	}
	return mqtt.NewClientOptions().AddBroker("ssl://" + g.mqtt).SetTLSConfig(&tls.Config{RootCAs: pool}).SetProtocolVersion(4).SetClientID(id).
		SetUsername(user).SetPassword(g.passwords[user]).SetAutoReconnect(false).SetConnectTimeout(5 * time.Second)
}

// client is a raw one; comes is told each time it is connected.
func (g *guarded) client(user, id string, comes func(mqtt.Client)) mqtt.Client {
	g.t.Helper()
	o := g.clientOptions(user, id)
	if comes != nil {
		o.SetAutoReconnect(true).SetMaxReconnectInterval(500 * time.Millisecond).SetOnConnectHandler(comes)
	}
	c := mqtt.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(soon) || token.Error() != nil {
		g.t.Fatalf("%s: %v", user, token.Error())
	}
	g.t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// A listener is an observer of the site: a client of its own, apart from agent and server.
type listener struct {
	t testing.TB

	mu     sync.Mutex
	heard  map[string][]string // payloads by what stands behind the group, or STATE
	online *bool
}

func (g *guarded) observe() *listener {
	w := &listener{t: g.t, heard: map[string][]string{}}
	g.client("observer", "an-observer", func(c mqtt.Client) {
		c.Subscribe("spBv1.0/#", 1, func(_ mqtt.Client, m mqtt.Message) {
			w.mu.Lock()
			defer w.mu.Unlock()
			topic := strings.TrimPrefix(strings.TrimPrefix(m.Topic(), "spBv1.0/"), "harrow-quay/")
			if s, err := sparkplug.DecodeState(m.Payload()); topic == "STATE/gritwatch" && err == nil {
				w.online = &s.Online
				return
			}
			w.heard[topic] = append(w.heard[topic], string(m.Payload()))
		})
	})
	return w
}

func (w *listener) reset() { w.mu.Lock(); defer w.mu.Unlock(); w.heard = map[string][]string{} }

func (w *listener) count(topic string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.heard[topic])
}

// counted is how often a payload was heard under a topic.
func (w *listener) counted(topic, payload string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for _, p := range w.heard[topic] {
		if p == payload {
			n++
		}
	}
	return n
}

// bySeq is how many messages under a topic carry a sequence number, as an agent's do and a server's do not.
func (w *listener) bySeq(topic string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for _, p := range w.heard[topic] {
		if m, err := sparkplug.Decode([]byte(p)); err != nil || m.HasSeq {
			n++
		}
	}
	return n
}

func (w *listener) topics() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []string
	for topic := range w.heard {
		out = append(out, topic)
	}
	return out
}

func (w *listener) hears(topic string, n int) {
	w.t.Helper()
	eventually(w.t, recovers, fmt.Sprintf("%d of %s", n, topic), func() bool { return w.count(topic) >= n })
}

func (w *listener) isOnline(want bool) {
	w.t.Helper()
	eventually(w.t, recovers, fmt.Sprintf("STATE with online %v", want), func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		return w.online != nil && *w.online == want
	})
}

// bdSeq is the number of the session in the last message of a topic.
func (w *listener) bdSeq(topic string) uint64 {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	all := w.heard[topic]
	if len(all) == 0 {
		w.t.Fatalf("nothing of %s was heard", topic)
	}
	m, err := sparkplug.Decode([]byte(all[len(all)-1]))
	if err != nil {
		w.t.Fatal(err)
	}
	n, _ := m.BdSeq()
	return uint64(n)
}
