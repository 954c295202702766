package main

import (
	"fmt"
	"io"
	"net"
	"strings"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/config"
)

// check prints what a site's file says and what follows from it.
func check(path string, out io.Writer) error {
	c, found, err := readWhole(path)
	if err != nil {
		return err
	}
	w := &printer{out: out}
	w.say("site %s: pots %d, agents %d", c.Site, len(c.Pots), len(c.Agents()))
	w.say("page and API: http://%s%s", c.Listen, open(c.Listen))
	if c.Broker.Embedded != "" {
		w.say("broker: inside, %s%s%s", c.Broker.Scheme(), c.Broker.Embedded, taken(c.Broker))
	} else {
		w.say("broker: outside, %s", c.Broker.Outside.URL)
	}
	receivers(w, c)
	for _, f := range found {
		w.say("%s: %s", f.About, f.Finding)
	}
	w.say("data: %s", c.Data)
	w.say("atmosphere: %.1f kPa%s", float64(c.Atmosphere.Pressure())/1000, assumed(c.Atmosphere))
	for _, p := range c.Pots {
		var names []string
		for _, pt := range points.All() {
			if p.Points.Has(pt) {
				names = append(names, pt.String())
			}
		}
		w.say("")
		w.say("%s: agent %s; points %s; screen in %s", p.Name, p.Agent, strings.Join(names, ", "), p.Units.Pressure)
		w.say("%s: configuration %s; the agent's must be the same", p.Name, p.Vent().Digest())
		for _, n := range potfile.Notes(p.Pot) {
			w.say("%s", n)
		}
	}
	return w.err
}

// open warns of an address that other machines reach.
func open(addr string) string {
	if host, _, err := net.SplitHostPort(addr); err == nil && config.Loopback(host) {
		return ""
	}
	return " (open to the network: no log-in and no TLS, everyone who reaches it may use it)"
}

// taken says whom the embedded broker lets in.
func taken(b config.Broker) string {
	switch {
	case b.Users != "" && b.ClientCA != "":
		return " (with a password or a certificate)"
	case b.Users != "":
		return " (with a password)"
	case b.ClientCA != "":
		return " (with a certificate)"
	}
	return open(b.Embedded)
}

func assumed(a potfile.Atmosphere) string {
	switch {
	case !a.Given():
		return " (not given; the standard one at sea level is taken)"
	case a.FromBarometer():
		return ", from a barometer"
	}
	return ", from the altitude"
}

// A printer keeps the first error.
type printer struct {
	out io.Writer
	err error
}

func (p *printer) say(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.out, format+"\n", args...)
	}
}
