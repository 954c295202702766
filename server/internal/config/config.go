// Package config reads site.yaml: the server's addresses, its broker, and the pots of the site.
package config

import (
	_ "embed"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
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
	Data       string // directory
	Atmosphere potfile.Atmosphere
	Pots       []Pot // as in the file; at least one
}

// A Broker is the MQTT broker: either Embedded or URL is set.
type Broker struct {
	Embedded           string // host:port of the broker inside the server
	URL                string // of an outside one: mqtt://host:port or mqtts://host:port
	Username, Password string
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
	maxPots       = 1000
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
	if m.Has("data") {
		c.Data = m.String("data")
	}
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
	if err := doc.Err(); err != nil {
		return Config{}, err
	}
	return c, nil
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
		b.Embedded = address(bm, "embedded", "127.0.0.1:1883", bm.Optional().Bool("open_to_network"),
			"the embedded broker takes anyone and has no TLS yet; use 127.0.0.1, or add open_to_network: true to this mapping if everyone who reaches it may pretend to be an agent")
		for _, k := range []string{"username", "password"} {
			if bm.Has(k) {
				bm.Fail(k, "has no use here", "the embedded broker has no log-ins yet")
			}
		}
	case outside:
		b.URL = yamlfile.Scalar(bm, "url", "mqtt://10.0.0.5:1883", brokerURL)
		b.Username, b.Password = bm.Optional().String("username"), bm.Optional().String("password")
		if b.Password != "" && b.Username == "" {
			bm.Fail("password", "stands without username", "write both")
		}
		if bm.Has("open_to_network") {
			bm.Fail("open_to_network", "has no use here", "it belongs to embedded")
		}
	case bm.Field() != "":
		bm.Fail("embedded", "is missing", `write for example embedded: "127.0.0.1:1883", or url: "mqtt://10.0.0.5:1883" for a broker outside`)
	}
}

// brokerURL checks the address of an outside broker and adds the usual port.
func brokerURL(s string) (string, error) {
	u, err := url.Parse(s)
	port := map[string]string{"mqtt": "1883", "mqtts": "8883"}
	if err != nil || u.Host == "" || port[u.Scheme] == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
		return "", fmt.Errorf("%q is not the address of a broker; write for example mqtt://10.0.0.5:1883, or mqtts://... for TLS", redact(s))
	}
	if u.User != nil {
		return "", fmt.Errorf("%q holds a log-in; write it under username and password", redact(s))
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port[u.Scheme])
	}
	return u.Scheme + "://" + u.Host, nil
}

// redact takes a log-in out of an address, so that it shows in no message.
func redact(s string) string {
	if i := strings.LastIndex(s, "@"); i >= 0 {
		if j := strings.Index(s, "://"); j >= 0 && j+3 <= i {
			return s[:j+3] + "..." + s[i:]
		}
		return "..." + s[i:]
	}
	return s
}
