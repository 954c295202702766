package config_test

import (
	_ "embed"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/config"
)

func TestParseReference(t *testing.T) {
	c, err := config.Parse("site.yaml", []byte(config.Reference))
	if err != nil {
		t.Fatal(err)
	}
	if c.Site != "harrow-quay" || c.Listen != "127.0.0.1:8080" || c.Broker.Embedded != "127.0.0.1:1883" || c.Data != "./data" || c.Reorder != 200*time.Millisecond ||
		c.History != (config.History{Age: 9600 * time.Hour, Size: 20e9}) ||
		len(c.Hosts) != 1 || c.Hosts[0] != "pots.example" || len(c.Pots) != 2 {
		t.Fatalf("got %+v", c)
	}
	a, b := c.Pots[0], c.Pots[1]
	if a.Name != "alder" || a.Agent != "quay-1" || a.Points != points.SetOf(points.Vessel, points.Control, points.Hose) {
		t.Errorf("first pot %+v", a)
	}
	if a.Units.Pressure != "psi" || b.Units.Pressure != "bar" {
		t.Errorf("units %q and %q, want the site's psi and the pot's own bar", a.Units.Pressure, b.Units.Pressure)
	}
	if !a.Atmosphere.Given() {
		t.Error("the site's atmosphere did not reach the pot")
	}
}

func TestParseMinimal(t *testing.T) {
	c, err := config.Parse("site.yaml", []byte(good))
	if err != nil {
		t.Fatal(err)
	}
	if c.Listen != "127.0.0.1:8080" || c.Data != "./data" || c.History != (config.History{Age: 9600 * time.Hour}) || c.Pots[0].Units.Pressure != "psi" {
		t.Errorf("defaults: %+v", c)
	}
}

func TestOutsideBroker(t *testing.T) {
	text := strings.Replace(good, `{embedded: "127.0.0.1:1883"}`, `{url: "mqtts://broker.example", username: u, password: p}`, 1)
	c, err := config.Parse("site.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if want := (config.Broker{Outside: brokerlink.Settings{URL: "mqtts://broker.example:8883", User: "u", Password: "p"}}); c.Broker != want {
		t.Errorf("broker %+v, want %+v", c.Broker, want)
	}
}

func TestOpenToNetwork(t *testing.T) {
	text := strings.Replace(good, `{embedded: "127.0.0.1:1883"}`, `{embedded: "0.0.0.0:1883", open_to_network: true}`, 1) +
		"listen: 0.0.0.0:8080\nopen_to_network: true\n"
	if _, err := config.Parse("site.yaml", []byte(text)); err != nil {
		t.Error(err)
	}
}

const good = `site: harrow-quay
broker: {embedded: "127.0.0.1:1883"}
pots:
  - name: alder
    agent: quay-1
    vessel: {volume: 6.5 ft3, rated: 150 psi}
    hose: {bore: 1.25 in, length: 50 ft}
    nozzle: {bore: 7/16 in, target: 100 psi}
    points: [vessel, control, hose]
`

//go:embed testdata/bad.txt
var bad string

// TestBad: each case of testdata/bad.txt changes the good file and lists the whole error.
func TestBad(t *testing.T) {
	cases := strings.Split(bad, "\n== ")[1:]
	if len(cases) < 15 {
		t.Fatalf("%d cases found", len(cases))
	}
	for _, c := range cases {
		title, body, _ := strings.Cut(c, "\n")
		t.Run(title, func(t *testing.T) {
			text, want := good, []string{}
			for _, line := range strings.Split(strings.TrimSpace(body), "\n") {
				switch {
				case strings.HasPrefix(line, "> "):
					want = append(want, line[2:])
				case strings.HasPrefix(line, "+ "):
					text += line[2:] + "\n"
				default:
					from, to, ok := strings.Cut(line, " => ")
					if !ok || !strings.Contains(text, from) {
						t.Fatalf("%q changes nothing", line)
					}
					text = strings.Replace(text, from, to, 1)
				}
			}
			_, err := config.Parse("site.yaml", []byte(text))
			var ye *yamlfile.Error
			if !errors.As(err, &ye) {
				t.Fatalf("error %v, want a *yamlfile.Error", err)
			}
			if got := strings.TrimSpace(err.Error()); got != strings.Join(want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", got, strings.Join(want, "\n"))
			}
		})
	}
}

func TestRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site.yaml")
	if _, err := config.Read(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("absent file: %v", err)
	}
	if err := os.WriteFile(path, []byte(good), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := config.Read(path); err != nil {
		t.Error(err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(config.Reference)
	f.Add(good)
	f.Add("broker: {url: mqtt://a:b@c}\nlisten: ':80'\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := config.Parse("site.yaml", []byte(text))
		if err == nil && (c.Site == "" || len(c.Pots) == 0 || c.Broker == config.Broker{}) {
			t.Errorf("accepted without site, pots or broker: %+v", c)
		}
	})
}
