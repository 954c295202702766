package potfile_test

import (
	_ "embed"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const good = `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, control]
`

func parse(t *testing.T, text string) potfile.Pot {
	t.Helper()
	p, err := potfile.ParsePot("pot.yaml", []byte(text))
	if err != nil {
		t.Fatalf("ParsePot:\n%v", err)
	}
	return p
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Abs(want) {
		t.Errorf("%s = %v, want %v", what, got, want)
	}
}

// Wanted figures in SI: 1 psi = 6894.757293168 Pa, 1 ft3 = 0.028316846592 m3, 1 lb/ft3 = 16.018463374 kg/m3 (exact).
func TestParseReference(t *testing.T) {
	p := parse(t, potfile.Reference)
	near(t, "volume", float64(p.Vessel.Volume), 6.5*0.028316846592)
	near(t, "rated", float64(p.Vessel.Rated), 150*6894.757293168)
	near(t, "hose bore", float64(p.Hose.Bore), 0.03175)
	near(t, "hose length", float64(p.Hose.Length), 15.24)
	near(t, "nozzle bore", float64(p.Nozzle.Bore), 0.0111125)
	near(t, "target", float64(p.Nozzle.Target), 689475.7293168)
	near(t, "bulk density", float64(p.Abrasive.Bulk), 1601.8463374)
	near(t, "solid density", float64(p.Abrasive.Solid), 3524.0619422)
	near(t, "atmosphere", float64(p.Atmosphere.Pressure()), 101300)
	near(t, "unit", p.Units.Pa(), 6894.757293168)
	if p.Name != "alder" || p.Vessel.HoldsPressure || p.Units.Pressure != "psi" || !p.Atmosphere.FromBarometer() {
		t.Errorf("got %+v", p)
	}
	if all := points.All(); p.Points != points.SetOf(all[:]...) {
		t.Errorf("points %b", p.Points)
	}
	g := p.Gauges[points.Vessel]
	near(t, "range", float64(g.Hi), 200*6894.757293168)
	near(t, "zero error", float64(g.ZeroError), 0.25*6894.757293168)
	near(t, "span error", float64(g.SpanError), 0.002)
	near(t, "zero", float64(g.Zero.Offset), 0.2*6894.757293168)
	if g.Kind != vent.KindSealed || g.Lo != 0 || g.Zero.By != "yard foreman" || g.Zero.At != "2026-05-04" {
		t.Errorf("vessel gauge %+v", g)
	}
	if k := p.Gauges[points.Supply].Kind; k != vent.KindGauge {
		t.Errorf("undeclared kind is %q", k)
	}
	near(t, "on", float64(p.Control.On), 20*6894.757293168)
	near(t, "off", float64(p.Control.Off), 10*6894.757293168)
	if p.Control.Electric || p.Control.Inverse {
		t.Errorf("control %+v", p.Control)
	}
	if b := p.Baselines.Blasting; b == nil || b.By != "yard foreman" || b.Has != points.SetOf(0, 1, 2, 3, 4) || b.Day().String() != "2026-05-04T00:00:00.000Z" {
		t.Errorf("baseline %+v", b)
	} else {
		near(t, "baseline at the vessel", float64(b.P[points.Vessel]), 109.2*6894.757293168)
		near(t, "air-only baseline at the nozzle", float64(p.Baselines.AirOnly.P[points.Nozzle]), 103.2*6894.757293168)
	}
	near(t, "intake", float64(p.Intake.Temperature), 298.15)
	near(t, "humidity", float64(p.Intake.Humidity), 0.6)
	near(t, "aftercooler", float64(p.Intake.Aftercooler), 311.15)
	near(t, "separator", float64(p.Intake.Separator), 303.15)
	near(t, "drain", float64(p.Intake.DrainAt), 1e-3)
	if want := (vent.Vent{Time: 8 * time.Second, By: "yard foreman", At: "2026-05-04"}); p.Commissioned == nil || *p.Commissioned != want {
		t.Errorf("commissioned %+v", p.Commissioned)
	}
}

// The shortest useful files, as the project's README shows them.
func TestShortPot(t *testing.T) {
	p := parse(t, `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in}
points: [supply, {vessel: {range: 0..200 psi, kind: gauge, zero_error: 0.25 psi, span_error: 0.2 %}}, hose]
`)
	if p.Units.Pa() != 1000 || p.Nozzle.Target != 0 || p.Commissioned != nil || p.Atmosphere.Given() || p.Points.Has(points.Control) {
		t.Errorf("defaults: %+v", p)
	}
	for text, want := range map[string]potfile.Control{"control: electric": {Electric: true}, "control: {inverse: true}": {Inverse: true},
		"control: {on: 2 bar, off: 1 bar}": {On: 2e5, Off: 1e5}, "": {}} {
		p := parse(t, good+text+"\n")
		if p.Control != want {
			t.Errorf("%s gives %+v", text, p.Control)
		}
		if v := p.Vent(); v.Electric != want.Electric || v.Inverse != want.Inverse || v.On != want.On || v.Off != want.Off {
			t.Errorf("%s gives the answer %+v", text, v)
		}
	}
	holds := parse(t, strings.Replace(good, "150 psi", "150 psi, holds_pressure: true", 1))
	if v := holds.Vent(); !v.HoldsPressure || v.Name != "alder" || v.Points != holds.Points || v.Rated != holds.Vessel.Rated ||
		v.Target != holds.Nozzle.Target || v.Volume != holds.Vessel.Volume {
		t.Errorf("the answer uses %+v", v)
	}
}

// FuzzParsePot: a text gives a pot that everything works with, or an error of bounded size.
func FuzzParsePot(f *testing.F) {
	f.Add([]byte(potfile.Reference))
	f.Add([]byte(good))
	f.Add([]byte(good + "atmosphere: {altitude: 12 m}\ncontrol: electric\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := potfile.ParsePot("pot.yaml", text)
		if err != nil {
			if n := len(err.Error()); n > 10000 {
				t.Errorf("an error of %d bytes", n)
			}
			return
		}
		v := p.Vent()
		if u := float64(v.Gauges[points.Vessel].U(0)); !(u > 0) || !p.Points.Has(points.Vessel) || !(p.Vessel.Rated > 0) {
			t.Errorf("U %v of %+v", u, p)
		}
		if len(potfile.Notes(p)) == 0 || len(v.Digest()) != len(vent.Rules)+65 {
			t.Errorf("notes or digest of %+v", p)
		}
	})
}

// The reference is the documentation of the format, so every key of it must occur there.
func TestReferenceHasEveryKey(t *testing.T) {
	for _, key := range []string{"name:", "vessel:", "volume:", "rated:", "holds_pressure:", "hose:", "bore:", "length:", "nozzle:", "target:", "abrasive:",
		"bulk_density:", "solid_density:", "units:", "pressure:", "atmosphere:", "barometer:", "altitude", "points:", "range:", "kind:", "zero_error:",
		"span_error:", "zero:", "offset:", "by:", "at:", "control:", "on:", "off:", "inverse:", "electric", "commissioned:", "vent:", "baselines:", "blasting:", "air_only:",
		"costs:", "labour:", "equipment:", "abrasive:", "disposal:", "abrasive_use:", "air:", "intake:", "humidity:", "aftercooler:", "separator:", "drain_at:"} {
		if !strings.Contains(potfile.Reference, key) {
			t.Errorf("no %s", key)
		}
	}
}

//go:embed testdata/bad.txt
var bad string

func TestBadPots(t *testing.T) {
	cases := strings.Split(bad, "\n== ")[1:]
	if len(cases) < 40 {
		t.Fatalf("only %d cases found", len(cases))
	}
	for _, c := range cases {
		lines := strings.Split(c, "\n")
		t.Run(lines[0], func(t *testing.T) {
			text, want := good, []string(nil)
			for _, l := range lines[1:] {
				if added, ok := strings.CutPrefix(l, "+ "); ok {
					text += added + "\n"
				} else if problem, ok := strings.CutPrefix(l, "> "); ok {
					want = append(want, problem)
				} else if old, repl, ok := strings.Cut(l, " => "); ok {
					if !strings.Contains(text, old) {
						t.Fatalf("%q is not in the good pot", old)
					}
					text = strings.Replace(text, old, repl, 1)
				} else if l != "" {
					t.Fatalf("line %q of the case", l)
				}
			}
			if len(want) == 0 {
				t.Fatal("the case wants no problem")
			}
			p, err := potfile.ParsePot("pot.yaml", []byte(text))
			if err == nil {
				t.Fatalf("no error for\n%s", text)
			}
			if got := err.Error(); got != strings.Join(want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", got, strings.Join(want, "\n"))
			}
			if !reflect.DeepEqual(p, potfile.Pot{}) {
				t.Error("a pot came along with the error")
			}
		})
	}
}

// Two files that say the same in other words and units judge alike; any difference that the answer uses shows.
func TestDigestGoesByValue(t *testing.T) {
	metric := `points: [control, {vessel: {span_error: 0.25 %, range: 0..1378.9514586336 kPa}}, hose, supply]
nozzle: {target: 689.4757293168 kPa, bore: 11.1125 mm}
hose: {length: 15.24 m, bore: 31.75 mm}
vessel: {rated: 1034.2135939752 kPa, volume: 184.059502848 L}
control: {off: 70 kPa, on: 1.4 bar}
units: {pressure: bar}
name: alder
`
	inch := strings.Replace(good, "vessel, hose", "{vessel: {range: 0..200 psi, span_error: 0.25 %}}, hose", 1)
	want := parse(t, inch).Vent().Digest()
	if got := parse(t, metric).Vent().Digest(); got != want {
		t.Errorf("digests differ:\n%s\n%s", got, want)
	}
	if !strings.HasPrefix(want, vent.Rules+":") {
		t.Errorf("digest %q does not name its rules", want)
	}
	for _, change := range [][2]string{{"name: alder", "name: birch"}, {"6.5 ft3", "6.6 ft3"}, {"rated: 150", "rated: 125"}, {"target: 100 psi", "target: 101 psi"},
		{"[supply, ", "["}, {"0..200 psi", "0..300 psi"}, {"0.25 %", "0.2 %"}, {"rated: 150 psi", "rated: 150 psi, holds_pressure: true"},
		{"points", "control: electric\npoints"}, {"points", "control: {inverse: true}\npoints"}, {"points", "control: {on: 2 bar, off: 1 bar}\npoints"},
		{"points", "commissioned: {vent: 8 s, by: yard foreman, at: 2026-05-04}\npoints"}, {"{range:", "{zero: {offset: 0 psi, by: yard foreman, at: 2026-05-04}, range:"},
		{"{range:", "{zero_error: 1 kPa, range:"}} {
		if !strings.Contains(inch, change[0]) {
			t.Fatalf("%q is not in the pot", change[0])
		}
		if got := parse(t, strings.Replace(inch, change[0], change[1], 1)).Vent().Digest(); got == want {
			t.Errorf("%s => %s leaves the digest as it was", change[0], change[1])
		}
	}
	for _, change := range [][2]string{{"50 ft", "75 ft"}, {"7/16 in", "3/8 in"}, {"points", "atmosphere: {altitude: 100 m}\npoints"}, {"points", "units: {pressure: bar}\npoints"}} {
		if got := parse(t, strings.Replace(inch, change[0], change[1], 1)).Vent().Digest(); got != want {
			t.Errorf("%s => %s changes the digest, though the answer does not use it", change[0], change[1])
		}
	}
}

func TestVentKnowsTheBarometer(t *testing.T) {
	sealed := strings.Replace(good, "vessel,", "{vessel: {kind: sealed}},", 1)
	for _, tt := range []struct {
		atmosphere string
		barometer  bool
		u          float64 // Pa: 3.4 kPa undeclared zero, and R1's 3 kPa or 0.3 kPa
	}{{"{barometer: 1013 mbar}", true, 3700}, {"{altitude: 12 m}", false, 6400}} {
		v := parse(t, sealed+"atmosphere: "+tt.atmosphere+"\n").Vent()
		if g := v.Gauges[points.Vessel]; g.Barometer != tt.barometer || math.Abs(float64(g.U(0))-tt.u) > 1e-6 {
			t.Errorf("%s: barometer %v, U %v", tt.atmosphere, g.Barometer, g.U(0))
		}
		if v.Gauges[points.Hose].Barometer {
			t.Error("a gauge against the air around it needs no barometer")
		}
	}
}

func TestReadPots(t *testing.T) {
	doc, err := yamlfile.Parse("site.yaml", []byte(`
atmosphere: {altitude: 1000 m}
pots:
  - {name: alder, agent: quay-1, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in}, points: [{vessel: {kind: sealed}}]}
  - {name: birch, agent: quay-1, atmosphere: {barometer: 990 mbar}, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 3/8 in}, points: [vessel]}
  - {name: alder, agent: quay-2, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 3/8 in}, points: [vessel]}
`))
	if err != nil {
		t.Fatal(err)
	}
	pots, maps := potfile.ReadPots(doc.Map(), potfile.ReadAtmosphere(doc.Map().Map("atmosphere")))
	if len(pots) != 3 || len(maps) != 3 {
		t.Fatalf("%d pots, %d mappings", len(pots), len(maps))
	}
	for i, want := range []string{"quay-1", "quay-1", "quay-2"} {
		if got := maps[i].String("agent"); got != want {
			t.Errorf("agent of pot %d: %q", i, got)
		}
	}
	// 1000 m: 89874.6 Pa in the table of the standard atmosphere (ISO 2533), from memory.
	if p := pots[0].Atmosphere; math.Abs(float64(p.Pressure())-89874.6) > 1 || p.FromBarometer() {
		t.Errorf("alder's atmosphere %+v", p)
	}
	if p := pots[1].Atmosphere; p != potfile.OfBarometer(99000) {
		t.Errorf("birch's atmosphere %+v", p)
	}
	want := "site.yaml:6: pots[2].name: is the name of another pot of this file; give every pot its own name"
	if err := doc.Err(); err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
}

func TestNoAtmosphereIsSeaLevel(t *testing.T) {
	var a potfile.Atmosphere
	if a.Given() || a.FromBarometer() || a.Pressure() != si.StandardAtmosphere {
		t.Errorf("zero atmosphere: %+v", a)
	}
}

// Slag of an undated worked example of the trade: 0.65 t/h at 51 and 172 dollars a tonne, labour 57 and equipment 45 dollars an hour are 247
// dollars an hour of blasting (sum checked: 0.65 * 223 + 102 = 246.95).
func TestCostOfAnHour(t *testing.T) {
	p := parse(t, good+"costs: {labour: 57 USD/h, equipment: 45 USD/h, abrasive: 51 USD/t, disposal: 172 USD/t, abrasive_use: 650 kg/h}\n")
	near2 := func(what string, flow si.MassFlow, want float64) {
		t.Helper()
		if v, ok := p.Costs.PerHour(flow); !ok || math.Abs(v-want) > 1e-9*want {
			t.Errorf("%s: %v %v, want %v", what, v, ok, want)
		}
	}
	near2("as configured", 0, 246.95)
	near2("as the pot tells", 0.1, 102+0.36*223) // 360 kg/h
	pounds := parse(t, good+"costs: {abrasive: 0.1 USD/lb}\n")
	if v, ok := pounds.Costs.PerHour(0.45359237 / 3600); !ok || math.Abs(v-0.1) > 1e-12 || pounds.Costs.Currency != "USD" {
		t.Errorf("a pound an hour costs %v %v", v, ok)
	}
	var none potfile.Costs
	if _, ok := none.PerHour(1); ok {
		t.Error("an hour has a price that nobody gave")
	}
}
