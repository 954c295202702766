package e2e_test

import (
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestOneClearLine: what a user gets wrong is told in one line that names it and says what to do.
func TestOneClearLine(t *testing.T) {
	t.Parallel()
	pots := []pot{{name: "alder"}}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { taken.Close() })

	t.Run("a bad key", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.write("site.yaml", strings.Replace(siteConfig(pots), "volume:", "volum:", 1))
		p := s.start("gritwatch-server", "check", "--config", "site.yaml")
		if code := p.exit(soon); code != 2 {
			t.Errorf("exit code %d, want 2", code)
		}
		p.line(t, "site.yaml:6:", "volum", "did you mean volume")
	})
	t.Run("a quantity without a unit", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.write("agent.yaml", strings.Replace(agentConfig("quay-1", s.mqtt, "line", pots), "rated: 150 psi", "rated: 150", 1))
		p := s.start("gritwatch-agent", "check", "--config", "agent.yaml")
		if code := p.exit(soon); code != 2 {
			t.Errorf("exit code %d, want 2", code)
		}
		p.line(t, "agent.yaml:", "rated", "has no unit", "150 psi")
	})
	t.Run("no such file", func(t *testing.T) {
		t.Parallel()
		for _, program := range []string{"gritwatch-agent", "gritwatch-server", "gritwatch-sim"} {
			p := newSite(t).start(program, "run", "--config", "nowhere.yaml")
			if code := p.exit(soon); code != 2 {
				t.Errorf("%s: exit code %d, want 2", program, code)
			}
			p.line(t, "nowhere.yaml")
		}
	})
	t.Run("a missing serial port", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "nowhere", pots))
		p := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
		p.line(t, "nowhere-0", "no such port", "plugged in")
	})
	t.Run("the page's port in use", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.http = taken.Addr().String()
		s.write("site.yaml", siteConfig(pots))
		p := s.start("gritwatch-server", "run", "--config", "site.yaml")
		if code := p.exit(soon); code != 1 {
			t.Errorf("exit code %d, want 1", code)
		}
		p.line(t, s.http, "in use", "listen")
	})
	t.Run("the broker's port in use", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.mqtt = taken.Addr().String()
		s.write("site.yaml", siteConfig(pots))
		p := s.start("gritwatch-server", "run", "--config", "site.yaml")
		if code := p.exit(soon); code != 1 {
			t.Errorf("exit code %d, want 1", code)
		}
		p.line(t, s.mqtt, "in use", "broker")
	})
	t.Run("a broker that refuses", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.write("sim.yaml", simConfig(pots, "line"))
		s.start("gritwatch-sim", "run", "--config", "sim.yaml").says("lines ready", soon)
		s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots)) // nothing listens there
		p := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
		p.line(t, s.mqtt, "refuses", "is it running")
	})
	t.Run("a wrong unit id", func(t *testing.T) {
		t.Parallel()
		s := newSite(t)
		s.write("sim.yaml", simConfig(pots, "line"))
		s.start("gritwatch-sim", "run", "--config", "sim.yaml").says("lines ready", soon)
		s.write("agent.yaml", strings.Replace(agentConfig("quay-1", s.mqtt, "line", pots), "unit: 1\n", "unit: 77\n", 1))
		p := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
		p.line(t, "unit 77", "line-0", "look at its", "address")
		// It says so once, not every period.
		began := time.Now()
		eventually(t, soon, "2 s gone", func() bool { return time.Since(began) > 2*time.Second })
		if n := strings.Count(p.out.String(), "unit 77"); n > 3 {
			t.Errorf("told %d times in 2 s", n)
		}
	})
}

// line waits until one line of what the program printed holds all the texts. A program that has ended prints no more.
func (p *program) line(t *testing.T, texts ...string) {
	t.Helper()
	eventually(t, soon, fmt.Sprintf("%s says in one line %q", p.name, texts), func() bool {
		for _, line := range strings.Split(p.out.String(), "\n") {
			if !slices.ContainsFunc(texts, func(text string) bool { return !strings.Contains(line, text) }) {
				t.Logf("%s: %s", p.name, line)
				return true
			}
		}
		return false
	})
}
