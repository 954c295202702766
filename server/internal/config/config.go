// Package config reads site.yaml: the server's addresses, its broker, the pots of the site, and who outside is told of alarms.
package config

import (
	_ "embed"
	"fmt"
	"net"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/server/internal/broker/access"
)

// Reference is a site.yaml with every key, its comments the documentation of the format.
//
//go:embed reference.yaml
var Reference string

// A Config is what a site.yaml says.
type Config struct {
	Site       string
	Listen     string   // host:port of the page and the API
	Hosts      []string // further names by which browsers may call it
	Broker     Broker
	Reorder    time.Duration // how long an agent's message may come after those behind it
	Data       string        // directory
	History    History
	Atmosphere potfile.Atmosphere
	Pots       []Pot // as in the file; at least one
	Notify     []Receiver
}

// Agents are the names of those that read pots, sorted.
func (c Config) Agents() []string {
	var out []string
	for _, p := range c.Pots {
		out = append(out, p.Agent)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// History is how long samples are kept.
type History struct {
	Age  time.Duration
	Size int64 // bytes on the disk; 0: no bound
}

// A Broker is the MQTT broker: either Embedded or Outside.URL is set.
type Broker struct {
	Embedded  string // host:port of the broker inside the server
	Cert, Key string // PEM files with which it speaks TLS; empty: it does not
	ClientCA  string // PEM file of the authorities of agents' certificates; empty: none are asked for
	Users     string // the users' file; empty: no log-ins

	Outside brokerlink.Settings
}

// Scheme begins the addresses of the embedded broker.
func (b Broker) Scheme() string {
	if b.Cert != "" {
		return "mqtts://"
	}
	return "mqtt://"
}

// A Pot is a pot and the agent that reads it.
type Pot struct {
	potfile.Pot
	Agent string
}

const (
	defaultListen = "127.0.0.1:8080"
	defaultData   = "./data"
	defaultUnit   = "psi"
	maxPots       = 20_000
	maxReorder    = 2 * time.Second // older readings prove nothing

	defaultAge           = 400 * 24 * time.Hour
	minAge, maxAge       = 8 * 24 * time.Hour, 10 * defaultAge // the first is as late as a sample may come, and a day
	minHistory, maxStore = 1e9, 100_000e9
)

var namePattern = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// Read reads a file. What is wrong in it gives a *yamlfile.Error, one line a problem.
func Read(path string) (Config, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return Config{}, err
	}
	return fromDoc(doc)
}

// A Found is a line for people about the files that a file names.
type Found struct {
	About string // broker, or notify with the receiver's name
	brokerlink.Finding
}

// ReadWhole reads a file and those that the keys of its broker and receivers name, and tells what is to be known of them.
func ReadWhole(path string, now time.Time) (Config, []Found, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return Config{}, nil, err
	}
	c, err := fromDoc(doc)
	if err != nil {
		return Config{}, nil, err
	}
	var found []Found
	for _, f := range c.look(doc.Map().Map("broker"), now) {
		found = append(found, Found{"broker", f})
	}
	return c, append(found, c.lookNotify(doc.Map(), now)...), doc.Err()
}

// Parse reads the text of a file; name stands in front of its errors.
func Parse(name string, text []byte) (Config, error) {
	doc, err := yamlfile.Parse(name, text)
	if err != nil {
		return Config{}, err
	}
	return fromDoc(doc)
}

func fromDoc(doc *yamlfile.Doc) (Config, error) {
	m := doc.Map()
	c := Config{Listen: defaultListen, Data: defaultData}
	c.Site = name(m, "site", "harrow-quay")
	open := m.Optional().Bool("open_to_network")
	if m.Has("listen") {
		c.Listen = address(m, "listen", defaultListen, open,
			"the page has no log-in and no TLS yet; listen on 127.0.0.1, or add open_to_network: true if everyone who reaches this address may read it")
	}
	for _, v := range m.Optional().List("hosts") {
		if h := v.Text(); strings.ContainsAny(h, "/:@ ") {
			v.Fail(fmt.Sprintf("%q is not a host name", h), "write the bare name, for example pots.example")
		} else if h != "" {
			c.Hosts = append(c.Hosts, strings.ToLower(h))
		}
	}
	readBroker(m, &c.Broker)
	if m.Has("reorder_timeout") {
		if c.Reorder = m.Duration("reorder_timeout"); c.Reorder > maxReorder {
			m.Fail("reorder_timeout", fmt.Sprintf("%v is more than %v, after which a reading proves nothing", c.Reorder, maxReorder), "")
		}
	}
	if m.Has("data") {
		c.Data = m.String("data")
	}
	c.History = readHistory(m)
	if m.Has("atmosphere") {
		c.Atmosphere = potfile.ReadAtmosphere(m.Map("atmosphere"))
	}
	unit := defaultUnit
	if units := m.Optional().Map("units"); units.Has("pressure") {
		unit = units.Choice("pressure", "psi", "bar", "kPa")
	}
	pots, maps := potfile.ReadPots(m, c.Atmosphere)
	for i, p := range pots {
		if !maps[i].Has("units") {
			p.Units.Pressure = unit
		}
		c.Pots = append(c.Pots, Pot{Pot: p, Agent: name(maps[i], "agent", "quay-1")})
	}
	switch n := len(c.Pots); {
	case n > maxPots:
		m.Fail("pots", fmt.Sprintf("are %d", n), fmt.Sprintf("one server takes at most %d", maxPots))
	case n == 0 && m.Has("pots") && len(m.List("pots")) == 0:
		m.Fail("pots", "are none", "write at least one pot")
	}
	c.readNotify(m)
	if err := doc.Err(); err != nil {
		return Config{}, err
	}
	return c, nil
}

// readHistory reads how long samples are kept.
func readHistory(m yamlfile.Map) History {
	h := History{Age: defaultAge}
	if !m.Has("history") {
		return h
	}
	m = m.Map("history").Optional()
	if m.Has("age") {
		if h.Age = m.Duration("age"); h.Age != 0 && (h.Age < minAge || h.Age > maxAge) {
			m.Fail("age", fmt.Sprintf("%v is not from %v to %v", h.Age, minAge, maxAge), "")
		}
	}
	if m.Has("size") {
		h.Size = m.Bytes("size", minHistory, maxStore)
	}
	return h
}

// name is a key's value that must be a name.
func name(m yamlfile.Map, key, example string) string {
	return yamlfile.Scalar(m, key, example, func(s string) (string, error) {
		if !namePattern.MatchString(s) {
			return "", fmt.Errorf("%q is not a name; write 1 to 32 of a-z, 0-9 and -, for example %s", s, example)
		}
		return s, nil
	})
}

// address is a key's host:port. One that other machines reach is refused unless open.
func address(m yamlfile.Map, key, example string, open bool, why string) string {
	return yamlfile.Scalar(m, key, example, func(s string) (string, error) {
		host, port, err := net.SplitHostPort(s)
		if err != nil {
			return "", fmt.Errorf("%q is not host:port; write for example %s", s, example)
		}
		if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
			return "", fmt.Errorf("%q has no port from 0 to 65535; write for example %s", s, example)
		}
		if !open && !Loopback(host) {
			return "", fmt.Errorf("%q is reached by other machines, and %s", s, why)
		}
		return s, nil
	})
}

// Loopback tells whether a host is this machine's own loopback, which no other machine reaches.
func Loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func readBroker(m yamlfile.Map, b *Broker) {
	if !m.Has("broker") {
		m.Fail("broker", "is missing", `write for example broker: {embedded: "127.0.0.1:1883"}`)
		return
	}
	bm := m.Map("broker")
	embedded, outside := bm.Has("embedded"), bm.Has("url")
	switch {
	case embedded && outside:
		bm.Fail("url", "stands beside embedded", "write one of the two: embedded runs a broker inside the server, url names one outside")
	case embedded:
		readEmbedded(bm, b)
	case outside:
		b.Outside = brokerlink.Read(bm)
		for _, k := range []string{"open_to_network", "tls", "users"} {
			if bm.Has(k) {
				bm.Fail(k, "has no use here", "it belongs to embedded")
			}
		}
	case bm.Field() != "":
		bm.Fail("embedded", "is missing", `write for example embedded: "127.0.0.1:1883", or url: "mqtt://10.0.0.5:1883" for a broker outside`)
	}
}

func readEmbedded(bm yamlfile.Map, b *Broker) {
	for _, k := range brokerlink.Keys {
		if bm.Has(k) {
			bm.Fail(k, "has no use here", "it belongs to url, a broker outside; embedded takes tls and users")
		}
	}
	if bm.Has("tls") {
		t := bm.Map("tls")
		b.Cert, b.Key, b.ClientCA = t.String("cert"), t.String("key"), t.Optional().String("client_ca")
	}
	b.Users = bm.Optional().String("users")
	safe := b.Cert != "" && (b.Users != "" || b.ClientCA != "")
	open := bm.Optional().Bool("open_to_network")
	b.Embedded = address(bm, "embedded", "127.0.0.1:1883", open || safe,
		"without tls and users it takes anyone; use 127.0.0.1, or add tls and users (or tls.client_ca), or add open_to_network: true to this mapping if everyone who reaches it may pretend to be an agent")
}

// look looks into the files of the broker's keys, which were read from m.
func (c Config) look(m yamlfile.Map, now time.Time) []brokerlink.Finding {
	b := c.Broker
	if b.Embedded == "" {
		return b.Outside.Look(m, now)
	}
	var out []brokerlink.Finding
	warn := func(format string, args ...any) {
		out = append(out, brokerlink.Finding{Text: fmt.Sprintf(format, args...), Warn: true})
	}
	if b.Cert != "" {
		t := m.Map("tls")
		if pair, field, err := brokerlink.LoadPair(b.Cert, b.Key); err != nil {
			t.Fail(field, err.Error(), "cert is the broker's certificate with those between it and its authority, key its private key, in PEM")
		} else {
			out = append(out, brokerlink.Validity("certificate "+b.Cert, pair.Leaf, now))
		}
		out = append(out, brokerlink.Exposed(b.Key)...)
		if b.ClientCA != "" {
			found, err := brokerlink.Authorities(b.ClientCA, now)
			if err != nil {
				t.Fail("client_ca", err.Error(), "name a file with the authority's certificate in PEM")
			}
			out = append(out, found...)
		}
	}
	if host, _, err := net.SplitHostPort(b.Embedded); err == nil && !Loopback(host) && b.Users != "" && b.Cert == "" {
		warn("passwords travel unencrypted: add tls")
	}
	if b.Users == "" {
		return out
	}
	users, err := access.Read(b.Users)
	if err != nil {
		m.Fail("users", err.Error(), "gritwatch-server agent add --name NAME makes the file and its lines")
		return out
	}
	out = append(out, brokerlink.Exposed(b.Users)...)
	known, agents := users.Names(access.Agent), c.Agents()
	out = append(out, brokerlink.Finding{Text: fmt.Sprintf("users %s: agents %d, observers %d", b.Users, len(known), len(users.Names(access.Observer)))})
	for _, name := range agents {
		if !slices.Contains(known, name) && b.ClientCA == "" {
			warn("agent %s has no line in %s and will be refused: gritwatch-server agent add --name %s", name, b.Users, name)
		}
	}
	for _, name := range users.Weak() {
		warn("the password of %s in %s is kept by a hash that is guessed fast: give it another by gritwatch-server agent add --replace", name, b.Users)
	}
	for _, name := range known {
		if !slices.Contains(agents, name) {
			warn("user %s in %s is the agent of no pot here", name, b.Users)
		}
	}
	return out
}
