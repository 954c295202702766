package e2e_test

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// peer is a script of testdata/peer, which shares no code with this project, and its input.
type peer struct {
	*program
	in io.Writer
}

// peer runs one of the scripts of testdata/peer on the site's broker.
func (s *site) peer(script string) *peer {
	s.t.Helper()
	dir, err := filepath.Abs("testdata/peer")
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "sparkplug-payload")); err != nil {
		s.t.Fatalf("the independent edge node lacks its libraries: run npm ci in internal/e2e/testdata/peer, or make stack (%v)", err)
	}
	p := &program{t: s.t, name: script, cmd: exec.Command("node", filepath.Join(dir, script), "mqtt://"+s.mqtt), done: make(chan struct{})}
	in, err := p.cmd.StdinPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	s.launch(p)
	s.t.Cleanup(p.kill)
	return &peer{p, in}
}

// readByPeer is a payload as npm's sparkplug-payload reads it.
type readByPeer struct {
	Topic   string
	QoS     byte
	Time    int64 // ms
	Seq     *uint8
	Metrics []struct {
		Name, Type, Unit string
		Alias            *uint64
		Value            any
		Time             int64 // ms
		Historical       bool
		Quality          *int32
	}
}

// typeNames are the standard's names of the types that the project writes.
var typeNames = map[sparkplug.Type]string{sparkplug.Int64: "Int64", sparkplug.UInt64: "UInt64", sparkplug.Float: "Float", sparkplug.Boolean: "Boolean", sparkplug.String: "String"}

// agrees holds what the peer read of a payload against what was read here; data have no types, by which alone it finds values.
func (r readByPeer) agrees(topic sparkplug.Topic, m sparkplug.Message) error {
	if r.Time != int64(m.At)/1000 || (r.Seq != nil) != m.HasSeq || r.Seq != nil && *r.Seq != m.Seq || len(r.Metrics) != len(m.Metrics) {
		return fmt.Errorf("%s: the peer read %+v, here it is %+v", topic, r, m)
	}
	birth := topic.Kind == sparkplug.NodeBirth || topic.Kind == sparkplug.DeviceBirth
	for i, p := range r.Metrics {
		x := m.Metrics[i]
		ok := (p.Alias != nil) == x.Aliased && (p.Alias == nil || *p.Alias == x.Alias) && p.Time == int64(x.At)/1000 && p.Historical == x.Historical &&
			(p.Quality == nil) == (x.Quality == points.Good) && (p.Quality == nil || *p.Quality == x.Quality.Code())
		if birth {
			ok = ok && p.Name == x.Name && p.Type == typeNames[x.Type] && p.Unit == x.Unit && p.Value == plain(x)
		}
		if !ok {
			return fmt.Errorf("%s: the peer read %+v, here it is %+v", topic, p, x)
		}
	}
	return nil
}

// plain is a metric's value as JSON gives it.
func plain(m sparkplug.Metric) any {
	if m.Null {
		return nil
	}
	if v, ok := m.Value.Text(); ok {
		return v
	}
	if v, ok := m.Value.Bool(); ok {
		return v
	}
	v, _ := m.Value.Float()
	return v
}

// do has the peer do something, and waits until it has.
func (p *peer) do(what string) {
	p.t.Helper()
	n := p.count("did " + what)
	if _, err := io.WriteString(p.in, what+"\n"); err != nil {
		p.t.Fatal(err)
	}
	eventually(p.t, soon, "the peer does "+what, func() bool { return p.count("did "+what) > n })
}

func (p *peer) count(line string) int { return strings.Count("\n"+p.out.String(), "\n"+line+"\n") }

// TestIndependentEdgeNode: an edge node made of other people's libraries alone is taken in by the server: births, data by alias,
// deaths, births again on request, echoes.
func TestIndependentEdgeNode(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.write("site.yaml", strings.Replace(siteConfig([]pot{{name: "alder"}}), "{separator: {range: 0..200 psi}}, ", "", 1))
	s.start("gritwatch-server", "run", "--config", "site.yaml").says("dashboard: ", soon)
	p := s.peer("edge.mjs")
	p.says("born 0", soon)

	// shows waits until the page's pot shows a pressure at the vessel; negative: none.
	shows := func(pa float64) {
		t.Helper()
		eventually(t, soon, "the server shows the vessel's pressure", func() bool {
			pots, err := s.pots()
			if err != nil {
				return false
			}
			a := pots["alder"]
			if a.Answer.Word == "vented" {
				t.Fatalf("VENTED of a pot whose agent has another configuration: %+v", a)
			}
			v := a.PressurePa.Vessel
			if pa < 0 {
				return v == nil && a.State == "unknown"
			}
			return v != nil && *v > pa-1 && *v < pa+1 && a.Simulated
		})
	}
	shows(1000)
	p.do("vessel 345678.5")
	shows(345678.5)
	eventually(t, soon, "an echo is asked and answered", func() bool {
		pots, err := s.pots()
		return err == nil && p.count("echo") > 0 && pots["alder"].AgeS != nil && *pots["alder"].AgeS < 5
	})

	// The pot's death and return; numbers go on, and nothing is asked for.
	asked := p.count("rebirth")
	p.do("die")
	shows(-1)
	p.do("return")
	shows(345678.5)
	if n := p.count("rebirth") - asked; n != 0 {
		t.Errorf("births were asked for %d times without need", n)
	}

	// A gap, and a number that was never born: births are asked for, and the next readings count again.
	for _, what := range []string{"gap", "stranger"} {
		asked := p.count("rebirth")
		p.do(what)
		eventually(t, soon, "births are asked for after "+what, func() bool { return p.count("rebirth") > asked })
		p.do("vessel 200000")
		shows(200000)
		p.do("vessel 300000")
		shows(300000)
	}

	// Its connection breaks: the will is its death. It comes back under the next number.
	p.do("cut")
	shows(-1)
	p.says("born 1", soon)
	shows(300000)
	p.do("end")
	shows(-1)
	if code := p.exit(soon); code != 0 {
		t.Errorf("the peer ends with %d", code)
	}
}
