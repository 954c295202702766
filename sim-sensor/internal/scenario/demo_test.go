package scenario_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/sim-sensor/internal/scenario"
)

// The demonstration's four files say the same of every pot and every register, each from its own end.
func TestDemoFilesAgree(t *testing.T) {
	s, err := scenario.Load(demo("sim.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	digests := map[string]string{}
	for _, p := range s.Pots {
		digests[p.Name] = p.Vent().Digest()
	}
	channels := map[string]string{} // place to where it is read
	for _, l := range s.Lines {
		for _, u := range l.Units {
			for _, c := range u.Channels {
				how := fmt.Sprintf("high-first %.4f", c.PerUnit)
				if c.LowFirst {
					how = fmt.Sprintf("low-first %.4f", c.PerUnit)
				}
				if u.Module != nil {
					how = fmt.Sprintf("%d..%d", u.Module.CountLo, u.Module.CountHi)
				}
				channels[c.Pot+"/"+c.Point.String()] = fmt.Sprintf("%s %s unit %d register %d %s", l.Link, l.Mode, u.ID, c.Address, how)
			}
		}
	}

	seen := map[string]bool{}
	for _, file := range []string{"site.yaml", "quay-1.yaml", "quay-2.yaml"} {
		doc, err := yamlfile.Read(demo(file))
		if err != nil {
			t.Fatal(err)
		}
		m := doc.Map()
		pots, maps := potfile.ReadPots(m, potfile.ReadAtmosphere(m.Map("atmosphere")))
		for i, p := range pots {
			if got := p.Vent().Digest(); got != digests[p.Name] {
				t.Errorf("%s: %s differs from sim.yaml in what the answer uses", file, p.Name)
			}
			seen[file[:4]+p.Name] = true
			if file == "site.yaml" {
				maps[i].String("agent")
			}
		}
		for _, bus := range m.Optional().Maps("buses") {
			for _, unit := range bus.Maps("units") {
				for _, read := range unit.Maps("read") {
					place := read.String("pot") + "/" + read.String("point")
					how := read.Optional().String("counts")
					if how == "" {
						how = fmt.Sprintf("%s %.4f", read.String("order"), 6894.757293168) // Pa in a psi
						if u := read.String("unit"); u != "psi" {
							t.Errorf("%s: %s is in %s", file, place, u)
						}
					}
					got := fmt.Sprintf("%s %s unit %d register %d %s", bus.String("port"), bus.String("mode"), unit.Int("unit", 1, 247), read.Int("input", 0, 65535), how)
					if got != channels[place] {
						t.Errorf("%s: %s is read at\n%s, but simulated at\n%s", file, place, got, channels[place])
					}
					delete(channels, place)
				}
			}
		}
	}
	for place, at := range channels {
		t.Errorf("no agent reads %s at %s", place, at)
	}
	for _, p := range s.Pots {
		if !seen["site"+p.Name] || !seen["quay"+p.Name] {
			t.Errorf("%s is missing in site.yaml or the agents' files", p.Name)
		}
	}
}

func demo(file string) string { return filepath.Join("..", "..", "..", "deploy", "demo", file) }
