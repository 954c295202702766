package yamlfile_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
)

func parse(t *testing.T, text string) *yamlfile.Doc {
	t.Helper()
	doc, err := yamlfile.Parse("site.yaml", []byte(text))
	if err != nil {
		t.Fatalf("Parse: %v", err)
	}
	return doc
}

func TestEveryGetter(t *testing.T) {
	doc := parse(t, `
# a comment
text: harrow-quay      # another
quoted: "127.0.0.1:1883"
digits: 42
yes: true
gauge: 150 psi
abs: 1013 mbar
drop: 0.25 psi
len: 7/16 in
vol: 6.5 ft3
mass: 50 lb
density: 100 lb/ft3
ratio: 0.2 %
temp: 20 C
wait: 500ms
range: 0..200 psi
current: 4..20 mA
words: [supply, vessel]
choice: sealed
inner: {a: {b: x}}
list:
  - {n: 1}
  - n: 2
mixed: [supply, {vessel: {kind: gauge}}]
`)
	m := doc.Map()
	eq := func(what string, got, want any) {
		t.Helper()
		if got != want {
			t.Errorf("%s: got %v, want %v", what, got, want)
		}
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-14*want {
			t.Errorf("%s: got %v, want %v", what, got, want)
		}
	}
	eq("text", m.String("text"), "harrow-quay")
	eq("quoted", m.String("quoted"), "127.0.0.1:1883")
	eq("digits", m.Int("digits", 1, 247), 42)
	eq("yes", m.Bool("yes"), true)
	near("gauge", float64(m.GaugePressure("gauge")), 150*si.PSI)
	near("abs", float64(m.AbsPressure("abs")), 101300)
	near("drop", float64(m.PressureDrop("drop")), 0.25*si.PSI)
	near("len", float64(m.Length("len")), 7.0/16*si.Inch)
	near("vol", float64(m.Volume("vol")), 6.5*si.CubicFoot)
	near("mass", float64(m.Mass("mass")), 50*si.Pound)
	near("density", float64(m.Density("density")), 100*si.PoundPerCubicFoot)
	near("ratio", float64(m.Ratio("ratio")), 0.2*0.01)
	near("temp", float64(m.Temperature("temp")), 293.15)
	eq("wait", m.Duration("wait"), 500*time.Millisecond)
	lo, hi := m.GaugeRange("range")
	eq("range lo", lo, si.GaugePressure(0))
	near("range hi", float64(hi), 200*si.PSI)
	clo, chi := m.CurrentRange("current")
	eq("current lo", clo, si.Current(0.004))
	eq("current hi", chi, si.Current(0.02))
	eq("words", strings.Join(m.Strings("words"), ","), "supply,vessel")
	eq("choice", m.Choice("choice", "gauge", "sealed"), "sealed")
	eq("inner", m.Map("inner").Map("a").String("b"), "x")
	eq("inner field", m.Map("inner").Map("a").Field(), "inner.a")
	maps := m.Maps("list")
	eq("list length", len(maps), 2)
	eq("list[1]", maps[1].Int("n", 0, 9), 2)
	eq("list[0]", maps[0].Int("n", 0, 9), 1)
	mixed := m.List("mixed")
	eq("mixed[0]", mixed[0].Text(), "supply")
	eq("mixed[1] is a mapping", mixed[1].IsMap(), true)
	eq("mixed[1]", mixed[1].Map().Map("vessel").String("kind"), "gauge")
	o := m.Optional()
	eq("absent text", o.String("nowhere"), "")
	eq("absent pressure", o.GaugePressure("nowhere"), si.GaugePressure(0))
	eq("absent inner", o.Map("nowhere").Map("deeper").String("x"), "")
	eq("absent list", len(o.Maps("nowhere")), 0)
	eq("has", m.Has("text"), true)
	eq("has not", m.Has("nowhere"), false)
	eq("absent value", o.Get("nowhere").Present(), false)
	if err := doc.Err(); err != nil {
		t.Errorf("Err: %v", err)
	}
}

// read asks for what a small configuration would.
func read(m yamlfile.Map) {
	m.String("site")
	m.Optional().Duration("flush")
	for _, p := range m.Maps("pots") {
		p.String("name")
		v := p.Map("vessel")
		v.GaugePressure("rated")
		v.Volume("volume")
		p.Map("nozzle").Length("bore")
		p.Strings("points")
		p.Optional().Int("unit", 1, 247)
		p.Optional().Bool("spare")
	}
}

func TestProblems(t *testing.T) {
	pot := "site: a\npots:\n  - name: alder\n    vessel: {rated: 150 psi, volume: 6.5 ft3}\n    nozzle: {bore: 1 in}\n    points: [vessel]\n"
	for _, tt := range []struct{ name, text, want string }{
		{"fine", pot, ""},
		{"no unit", strings.Replace(pot, "150 psi", "150", 1),
			`site.yaml:4: pots[0].vessel.rated: "150" is not a pressure: it has no unit; write for example 150 psi; units: MPa, Pa, bar, hPa, kPa, mbar, psi`},
		{"unknown key", pot + "    nozle: 1\n", `site.yaml:7: pots[0].nozle: unknown key; did you mean nozzle?`},
		{"unknown key, nothing near", pot + "zebra: 1\n", `site.yaml:7: zebra: unknown key; keys here: site, flush, pots`},
		{"unknown mapping is named once", pot + "zebra: {a: 1, b: 2}\n", `site.yaml:7: zebra: unknown key; keys here: site, flush, pots`},
		{"missing", strings.Replace(pot, "rated: 150 psi, ", "", 1),
			`site.yaml:4: pots[0].vessel.rated: is missing; write for example rated: 150 psi`},
		{"missing mapping", strings.Replace(pot, "    nozzle: {bore: 1 in}\n", "", 1), `site.yaml:3: pots[0].nozzle: is missing`},
		{"empty value", strings.Replace(pot, "site: a", "site:", 1),
			`site.yaml:1: site: is empty; give it a value or take the key out`},
		{"empty optional value", pot + "flush: ~\n", `site.yaml:7: flush: is empty; give it a value or take the key out`},
		{"empty quotes", strings.Replace(pot, "site: a", "site: ''", 1),
			`site.yaml:1: site: is empty; give it a value or take the key out`},
		{"duplicate", pot + "site: b\n", `site.yaml:7: site: stands here a second time; it was given in line 1`},
		{"duplicate inside", strings.Replace(pot, "bore: 1 in", "bore: 1 in, bore: 2 in", 1),
			`site.yaml:5: pots[0].nozzle.bore: stands here a second time; it was given in line 5`},
		{"mapping for a value", strings.Replace(pot, "site: a", "site: {a: b}", 1), `site.yaml:1: site: is a mapping where a single value should be`},
		{"value for a mapping", strings.Replace(pot, "nozzle: {bore: 1 in}", "nozzle: 1 in", 1),
			`site.yaml:5: pots[0].nozzle: is a single value where a mapping should be`},
		{"value for a list", strings.Replace(pot, "[vessel]", "vessel", 1),
			`site.yaml:6: pots[0].points: is a single value where a list should be`},
		{"list in a list", strings.Replace(pot, "[vessel]", "[vessel, [hose]]", 1),
			`site.yaml:6: pots[0].points[1]: is a list where a single value should be`},
		{"number out of bounds", pot + "    unit: 248\n", `site.yaml:7: pots[0].unit: "248" is not a whole number from 1 to 247`},
		{"not a number", pot + "    unit: 1.5\n", `site.yaml:7: pots[0].unit: "1.5" is not a whole number from 1 to 247`},
		{"not a bool", pot + "    spare: yes\n", `site.yaml:7: pots[0].spare: "yes" is not one of the choices; choices: true, false`},
		{"time without unit", pot + "flush: 500\n",
			`site.yaml:7: flush: "500" is not a time: it has no unit; write for example 8 s; units: h, min, ms, s`},
		{"several, by line", "pots:\n  - {name: alder, vessel: {rated: 150, volume: 6}, nozzle: {bore: x}, points: []}\nsit: a\n",
			`site.yaml:1: site: is missing
site.yaml:2: pots[0].vessel.rated: "150" is not a pressure: it has no unit; write for example 150 psi; units: MPa, Pa, bar, hPa, kPa, mbar, psi
site.yaml:2: pots[0].vessel.volume: "6" is not a volume: it has no unit; write for example 6.5 ft3; units: L, ft3, l, m3
site.yaml:2: pots[0].nozzle.bore: "x" is not a length: it has no number; write for example 7/16 in; units: cm, ft, in, m, mm
site.yaml:3: sit: unknown key; did you mean site?`},
		{"anchor", "site: &a x\n", `site.yaml:1: anchors, aliases and merge keys are not taken here; write the value out`},
		{"alias", "site: 1\npots: *a\n", `site.yaml:2: anchors, aliases and merge keys are not taken here; write the value out`},
		{"merge", "site: 1\n<<: {a: b}\n", `site.yaml:2: anchors, aliases and merge keys are not taken here; write the value out`},
		{"tag", "site: !!str x\n", `site.yaml:1: tags (!) are not taken here; write the plain value, or put it in quotes`},
		{"block", "site: |\n  x\n", `site.yaml:1: blocks of text (| and >) are not taken here; write the value on one line`},
		{"directive", "%YAML 1.2\n---\nsite: x\n", `site.yaml:1: directives (%) are not taken here; take the line out`},
		{"question", "? site\n: x\n", `site.yaml:1: keys marked with ? are not taken here; write key: value`},
		{"two lines", "site: x\n  y\n", `site.yaml:1: site: runs over several lines; write the value on one line`},
		{"second document", "site: x\n---\nsite: y\n", `site.yaml:3: starts a second document; one file holds one`},
		{"number for a key", "1: x\n", `site.yaml:1: has a key that is not a plain name`},
		{"list", "- a\n", `site.yaml:1: is not a mapping; write lines of the form key: value`},
		{"value", "a\n", `site.yaml:1: is not a mapping; write lines of the form key: value`},
		{"nothing", "", `site.yaml: is empty`},
		{"comment", "# a\n", `site.yaml: is empty`},
		{"tab", "pots:\n\t- a\n", `site.yaml:2: is not YAML: found character '	' that cannot start any token`},
		{"not closed", "site: {a: b\n", `site.yaml:1: is not YAML: could not find flow mapping end token '}'`},
		{"quote not closed", "site: \"a\n", `site.yaml:1: is not YAML: could not find end character of double-quoted text`},
		{"latin1", "site: x\nname: caf\xe9\n", `site.yaml:2: holds bytes that are not UTF-8 text; save the file as UTF-8`},
		{"control character", "site: \"a\x1b[31m\"\n", `site.yaml:1: holds bytes that are not UTF-8 text; save the file as UTF-8`},
		{"deep flow", "site: " + strings.Repeat("[", 40) + strings.Repeat("]", 40) + "\n", `site.yaml:1: nests deeper than 32 levels`},
		{"many keys", unknownKeys(1001), `site.yaml:1001: has over 1000 keys in one mapping`},
		{"deep block", strings.Repeat("- ", 40) + "a\n", `site.yaml:1: nests deeper than 32 levels`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			want := strings.ReplaceAll(tt.want, "\t", " ")
			doc, err := yamlfile.Parse("site.yaml", []byte(tt.text))
			if err == nil {
				read(doc.Map())
				err = doc.Err()
			}
			got := ""
			if err != nil {
				var ye *yamlfile.Error
				if !errors.As(err, &ye) {
					t.Errorf("%T is not *yamlfile.Error", err)
				}
				got = err.Error()
			}
			if got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

func TestWindowsText(t *testing.T) {
	doc := parse(t, "\xef\xbb\xbfsite: a\r\npots: []\r\n")
	if got := doc.Map().String("site"); got != "a" {
		t.Errorf("site = %q", got)
	}
	doc.Map().Maps("pots")
	if err := doc.Err(); err != nil {
		t.Error(err)
	}
}

// Texts that stand in the project's files, and where a plain reading could go wrong.
func TestPlainTexts(t *testing.T) {
	doc := parse(t, `a: {url: "mqtt://127.0.0.1:1883", port: /dev/ttyUSB0, mode: 19200 8E1, counts: 0..27648, current: 0..20 mA, at: 2026-05-04}
b:
  - on: mqtts://broker.example:8883   # a colon inside
    off: 127.0.0.1:8080
    y: yes
    n: "no"
    hex: 0x1F
    name: 007
  # between
  - {on: '# no comment', off: "a: b", y: 'it''s',
     n: last}
`)
	m := doc.Map()
	a, b := m.Map("a"), m.Maps("b")
	got := []string{a.String("url"), a.String("port"), a.String("mode"), a.String("counts"), a.String("current"), a.String("at")}
	for _, mm := range b {
		got = append(got, mm.String("on"), mm.String("off"), mm.String("y"), mm.String("n"))
	}
	got = append(got, b[0].String("hex"), b[0].String("name"))
	want := "mqtt://127.0.0.1:1883|/dev/ttyUSB0|19200 8E1|0..27648|0..20 mA|2026-05-04|mqtts://broker.example:8883|127.0.0.1:8080|yes|no|# no comment|a: b|it's|last|0x1F|007"
	if s := strings.Join(got, "|"); s != want {
		t.Errorf("got\n%s\nwant\n%s", s, want)
	}
	if line := b[1].Get("n").Line(); line != 11 {
		t.Errorf("the last value is said to be in line %d", line)
	}
	if err := doc.Err(); err != nil {
		t.Error(err)
	}
}

func TestManyProblems(t *testing.T) {
	doc := parse(t, unknownKeys(900))
	doc.Map().String("site")
	var ye *yamlfile.Error
	for range 2 {
		if !errors.As(doc.Err(), &ye) {
			t.Fatal("no *yamlfile.Error")
		}
		if len(ye.Problems) != yamlfile.MaxProblems || ye.More != 901-yamlfile.MaxProblems {
			t.Errorf("%d problems and %d more", len(ye.Problems), ye.More)
		}
		if lines := strings.Split(ye.Error(), "\n"); len(lines) != yamlfile.MaxProblems+1 || lines[20] != "and 881 more" {
			t.Errorf("%d lines, last %q", len(lines), lines[len(lines)-1])
		}
	}
}

func unknownKeys(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString("key" + string(rune('a'+i%26)) + string(rune('a'+i/26%26)) + string(rune('a'+i/676)) + ": 1\n")
	}
	return b.String()
}

func TestTooLarge(t *testing.T) {
	path := filepath.Join(t.TempDir(), "big.yaml")
	if err := os.WriteFile(path, []byte("a: 1\n"+strings.Repeat("#", yamlfile.MaxSize)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := yamlfile.Read(path); err == nil || !strings.Contains(err.Error(), "is over 33554432 bytes") {
		t.Errorf("Read: %v", err)
	}
	if _, err := yamlfile.Read(path + ".none"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Read of nothing: %v", err)
	}
}

func TestScalarOfOwnType(t *testing.T) {
	doc := parse(t, "mode: 19200 8E1\nbad: x\n")
	fails := func(string) (int, error) { return 7, errors.New("is no good") }
	if got := yamlfile.Scalar(doc.Map(), "mode", "", func(s string) (string, error) { return "<" + s + ">", nil }); got != "<19200 8E1>" {
		t.Errorf("mode = %q", got)
	}
	if got := yamlfile.Scalar(doc.Map(), "bad", "", fails); got != 0 {
		t.Errorf("bad = %d, want the zero value", got)
	}
	yamlfile.Scalar(doc.Map(), "gone", "19200 8E1", fails)
	doc.Map().Fail("mode", "is odd", "try another")
	want := "site.yaml:1: gone: is missing; write for example gone: 19200 8E1\nsite.yaml:1: mode: is odd; try another\nsite.yaml:2: bad: is no good"
	if err := doc.Err(); err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
}

// FuzzParse: no text makes the reader panic, or take more than its bounds, and every problem is one line.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"site: a\npots: [{name: b, vessel: {rated: 1 psi}}]\n", "- a\n- {b: c}\n", "a: 'x", "a: \"\\u00e9\"\n", "{a: b, c: [d, e]}",
		"a:\n  - b: c\n    d: e\n", "a: 1 #x\n# y\nb: 2", "---\na: b\n...\n", "a: [1,\n 2]\n", "? a\n: b\n", "a: |\n b\n", "&a *b !c d: %e"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		doc, err := yamlfile.Parse("f.yaml", text)
		if err == nil {
			read(doc.Map())
			for _, k := range doc.Map().Keys() {
				doc.Map().Map(k)
			}
			err = doc.Err()
		}
		if err == nil {
			return
		}
		lines := strings.Split(err.Error(), "\n")
		if len(lines) > yamlfile.MaxProblems+1 {
			t.Errorf("%d lines", len(lines))
		}
		for _, l := range lines {
			if !strings.HasPrefix(l, "f.yaml:") && !strings.HasPrefix(l, "and ") || len(l) > 410 {
				t.Errorf("bad line %q", l)
			}
		}
	})
}
