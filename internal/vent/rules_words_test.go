package vent_test

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func TestWords(t *testing.T) {
	for w, name := range map[vent.Word]string{vent.Vented: "vented", vent.Pressurised: "pressurised", vent.NotProven: "not-proven"} {
		if got, err := vent.ParseWord(name); got != w || err != nil || w.String() != name {
			t.Errorf("%s: parsed as %v, %v; printed as %s", name, got, err, w)
		}
	}
	for _, bad := range []string{"", "Vented", "vented ", "open", "VENTED"} {
		if got, err := vent.ParseWord(bad); got != vent.NotProven || err == nil {
			t.Errorf("%q: %v, %v; want not-proven and an error", bad, got, err)
		}
	}
	var zero vent.Word
	if zero != vent.NotProven {
		t.Errorf("the zero word is %v", zero)
	}
	n, p, v := vent.NotProven, vent.Pressurised, vent.Vented
	for _, c := range [][3]vent.Word{{n, n, n}, {n, p, p}, {n, v, n}, {p, p, p}, {p, v, p}, {v, v, v}} {
		if vent.Worse(c[0], c[1]) != c[2] || vent.Worse(c[1], c[0]) != c[2] {
			t.Errorf("worse of %v and %v: %v and %v, want %v both ways", c[0], c[1], vent.Worse(c[0], c[1]), vent.Worse(c[1], c[0]), c[2])
		}
	}
}

func TestCodes(t *testing.T) {
	all := vent.AllCodes()
	names, sentences := map[string]bool{}, map[string]bool{}
	var set vent.Codes
	for i, c := range all {
		name, sentence := c.String(), c.Sentence()
		if name == "" || names[name] || name != strings.ToLower(name) || strings.ContainsAny(name, " _") {
			t.Errorf("code %d: name %q is empty, taken, or not in lower-case with hyphens", i, name)
		}
		if !strings.HasSuffix(sentence, ".") || len(sentence) < 20 || sentences[sentence] {
			t.Errorf("code %s: sentence %q is no sentence of its own", name, sentence)
		}
		names[name], sentences[sentence] = true, true
		if set.Has(c) {
			t.Errorf("code %s: in a set it was not put into", name)
		}
		if set = set.With(c); !set.Has(c) {
			t.Errorf("code %s: not in the set it was put into", name)
		}
	}
	if got := set.Strings(); len(got) != len(all) || got[0] != all[0].String() || got[len(got)-1] != all[len(all)-1].String() {
		t.Errorf("the set of all codes lists %v", got)
	}
	// The codes that the rules name in so many words.
	for _, want := range []string{"sensor-fault", "no-vent-seen", "gauge-does-not-follow"} {
		if !names[want] {
			t.Errorf("no code %s", want)
		}
	}
	if got := vent.Codes(0).Strings(); got == nil || len(got) != 0 {
		t.Errorf("the empty set lists %#v, want an empty list", got)
	}
	if got := vent.CodesOf(vent.NozzlePressure, vent.OverLimit).Strings(); len(got) != 2 || got[0] != "over-limit" || got[1] != "nozzle-pressure" {
		t.Errorf("codes in the order of the list: %v", got)
	}
}

// full is a pot with everything that the answer uses.
func full() vent.Pot {
	p := commissioned(alder(points.Supply, points.Vessel, points.Control), 8*time.Second)
	p.On, p.Off = 150*si.KPa, 60*si.KPa
	p.Gauges[points.Vessel] = vent.Gauge{Kind: vent.KindSealed, Lo: 0, Hi: 16 * si.Bar, ZeroError: 3 * si.KPa, SpanError: 0.0025,
		Barometer: true, Zero: &vent.Zero{Offset: 2 * si.KPa, By: "yard foreman", At: "2031-04-02"}}
	return p
}

func TestDigest(t *testing.T) {
	base := full().Digest()
	if rest, ok := strings.CutPrefix(base, "vent/1:"); !ok || len(rest) != 64 || vent.RulesOf(base) != "vent/1" || vent.Rules != "vent/1" {
		t.Errorf("digest %q of rules %q is not vent/1: and 64 hexadecimal digits", base, vent.RulesOf(base))
	}
	if full().Digest() != base {
		t.Error("the same pot twice, two digests")
	}
	v := points.Vessel
	zero := func(change func(*vent.Zero)) func(*vent.Pot) {
		return func(p *vent.Pot) { change(p.Gauges[v].Zero) }
	}
	seen := map[string]string{base: "nothing"}
	for _, c := range []struct {
		name   string
		change func(*vent.Pot)
	}{
		{"name", func(p *vent.Pot) { p.Name = "birch" }},
		{"volume", func(p *vent.Pot) { p.Volume *= 1.001 }},
		{"rated", func(p *vent.Pot) { p.Rated = 125 * si.PSI }},
		{"target", func(p *vent.Pot) { p.Target = 90 * si.PSI }},
		{"no target", func(p *vent.Pot) { p.Target = 0 }},
		{"holds_pressure", func(p *vent.Pot) { p.HoldsPressure = true }},
		{"electric control", func(p *vent.Pot) { p.Electric = true }},
		{"inverse control", func(p *vent.Pot) { p.Inverse = true }},
		{"press threshold", func(p *vent.Pot) { p.On = 160 * si.KPa }},
		{"release threshold", func(p *vent.Pot) { p.Off = 50 * si.KPa }},
		{"a point more", func(p *vent.Pot) { p.Points |= points.SetOf(points.Hose) }},
		{"a point less", func(p *vent.Pot) { p.Points = points.SetOf(points.Vessel, points.Control) }},
		{"another point instead", func(p *vent.Pot) { p.Points = points.SetOf(points.Separator, points.Vessel, points.Control) }},
		{"kind", func(p *vent.Pot) { p.Gauges[v].Kind = vent.KindAbsolute }},
		{"range's upper end", func(p *vent.Pot) { p.Gauges[v].Hi = 17 * si.Bar }},
		{"range's lower end", func(p *vent.Pot) { p.Gauges[v].Lo = -1 * si.Bar }},
		{"range of another point", func(p *vent.Pot) { p.Gauges[points.Supply].Hi = 16 * si.Bar }},
		{"zero error", func(p *vent.Pot) { p.Gauges[v].ZeroError = 2 * si.KPa }},
		{"span error", func(p *vent.Pot) { p.Gauges[v].SpanError = 0.002 }},
		{"barometer", func(p *vent.Pot) { p.Gauges[v].Barometer = false }},
		{"no recorded zero", func(p *vent.Pot) { p.Gauges[v].Zero = nil }},
		{"recorded offset", zero(func(z *vent.Zero) { z.Offset = 2.1 * si.KPa })},
		{"who recorded it", zero(func(z *vent.Zero) { z.By = "the mechanic" })},
		{"when", zero(func(z *vent.Zero) { z.At = "2031-04-03" })},
		{"zero of another point", func(p *vent.Pot) { p.Gauges[points.Supply].Zero = p.Gauges[v].Zero }},
		{"no commissioned vent", func(p *vent.Pot) { p.Commissioned = nil }},
		{"commissioned vent", func(p *vent.Pot) { p.Commissioned.Time = 9 * time.Second }},
		{"who commissioned", func(p *vent.Pot) { p.Commissioned.By = "the mechanic" }},
		{"when commissioned", func(p *vent.Pot) { p.Commissioned.At = "2031-04-03" }},
	} {
		got := with(full(), c.change).Digest()
		if other, taken := seen[got]; taken {
			t.Errorf("%s changed: the same digest as with %s changed", c.name, other)
		}
		seen[got] = c.name
	}
	for name, change := range map[string]func(*vent.Pot){
		"gauge of a point that is not there": func(p *vent.Pot) { p.Gauges[points.Nozzle].ZeroError = 9 * si.KPa },
		"kind gauge, written out":            func(p *vent.Pot) { p.Gauges[points.Supply].Kind = vent.KindGauge },
	} {
		if got := with(full(), change).Digest(); got != base {
			t.Errorf("%s changes the digest", name)
		}
	}
}

// The same values in other units give the same digest.
func TestDigestUnits(t *testing.T) {
	type texts struct{ volume, rated, target, on, off, span, zeroError, offset, ratio, vent string }
	build := func(x texts) vent.Pot {
		must := func(err error) {
			if err != nil {
				t.Fatal(err)
			}
		}
		var err error
		p := full()
		g := &p.Gauges[points.Vessel]
		p.Volume, err = si.ParseVolume(x.volume)
		must(err)
		p.Rated, err = si.ParseGaugePressure(x.rated)
		must(err)
		p.Target, err = si.ParseGaugePressure(x.target)
		must(err)
		p.On, err = si.ParseGaugePressure(x.on)
		must(err)
		p.Off, err = si.ParseGaugePressure(x.off)
		must(err)
		g.Lo, g.Hi, err = si.ParseGaugeRange(x.span)
		must(err)
		g.ZeroError, err = si.ParsePressureDrop(x.zeroError)
		must(err)
		g.Zero.Offset, err = si.ParsePressureDrop(x.offset)
		must(err)
		g.SpanError, err = si.ParseRatio(x.ratio)
		must(err)
		p.Commissioned.Time, err = si.ParseDuration(x.vent)
		must(err)
		return p
	}
	a := build(texts{"200 L", "10.3 bar", "6.9 bar", "1.4 bar", "0.7 bar", "0..16 bar", "0.034 bar", "2 kPa", "0.25 %", "8 s"}).Digest()
	for _, x := range []texts{
		{"0.2 m3", "1030 kPa", "0.69 MPa", "140 kPa", "700 mbar", "0..1.6 MPa", "3.4 kPa", "0.02 bar", "1/4 %", "8000 ms"},
		{"200 l", "1.03 MPa", "6900 mbar", "140000 Pa", "70 kPa", "0 bar..1600 kPa", "34 mbar", "20 mbar", "0.250 %", "8.0 s"},
	} {
		if got := build(x).Digest(); got != a {
			t.Errorf("%+v: another digest than in bar and litres", x)
		}
	}
	// Exact by definition: 1 ft = 0.3048 m, so 6.5 ft3 is 184.0595 L to seven digits; nine digits tell them apart.
	if full().Digest() == with(full(), func(p *vent.Pot) { p.Volume = 184.0595 * si.Litre }).Digest() {
		t.Error("6.5 ft3 and 184.0595 L agree although they differ by 3e-8")
	}
}

// The format of the digest is pinned by a text written by hand from its description, keys in alphabetical order being
// no part of it: a change of it would part agents and servers of different program versions.
func TestDigestText(t *testing.T) {
	p := vent.Pot{Name: "alder", Volume: 0.2, Rated: 1e6, Points: points.SetOf(points.Vessel, points.Hose)}
	p.Gauges[points.Vessel] = vent.Gauge{Lo: 0, Hi: 1.6e6, ZeroError: 3400, SpanError: 0.0025}
	p.Commissioned = &vent.Vent{Time: 8500 * time.Millisecond, By: "yard foreman", At: "2031-04-02"}
	text := `{"name":"alder","volume_m3":0.2,"rated_pa":1000000,"points":[` +
		`{"point":"vessel","kind":"gauge","range_pa":[0,1600000],"zero_error_pa":3400,"span_error":0.0025},` +
		`{"point":"hose","kind":"gauge"}],` +
		`"commissioned_vent":{"s":8.5,"by":"yard foreman","at":"2031-04-02"}}`
	sum := sha256.Sum256([]byte(text))
	if got, want := p.Digest(), "vent/1:"+hex.EncodeToString(sum[:]); got != want {
		t.Errorf("digest %s, want %s of %s", got, want, text)
	}
}
