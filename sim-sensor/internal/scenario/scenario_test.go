package scenario_test

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/scenario"
)

func TestParseReference(t *testing.T) {
	s, err := scenario.Parse("reference.yaml", []byte(scenario.Reference))
	if err != nil {
		t.Fatal(err)
	}
	a := s.Pots[0]
	if s.Seed != 7 || s.About == "" || len(s.Pots) != 3 || a.Fill != 0.8 || a.Gauges.Noise != 0.001 || a.Gauges.Lag != 20*time.Millisecond || s.Pots[1].Gauges.Noise != 0.0005 {
		t.Errorf("%+v", s)
	}
	if c := a.Script.Cycle; c == nil || *c != (scenario.Cycle{Press: 25 * time.Second, Rest: 20 * time.Second, Start: 3 * time.Second, RefillBelow: 0.15, RefillPause: 34 * time.Second}) {
		t.Errorf("cycle %+v", c)
	}
	if e := a.Script.Events[0]; e.At != 40*time.Second || e.For != 20*time.Second || e.Every != 5*time.Minute || e.Over != 10*time.Second || e.Equipment.ExhaustShut != 0.6 || e.Name != "exhaust_shut" {
		t.Errorf("event %+v", e)
	}
	last := a.Script.Events[len(a.Script.Events)-1]
	if last.Name != "vessel reads" || *last.Gauge.Reads != (scenario.Place{Pot: "birch", Point: points.Vessel}) {
		t.Errorf("event %+v", last)
	}
	u := s.Lines[0].Units
	if s.Lines[0].Link != "run/sim/a" || s.Lines[0].Mode.String() != "57600 8E1" || u[0].ID != 21 || !u[0].Channels[0].LowFirst || u[0].Channels[0].Address != 2578 ||
		math.Abs(u[0].Channels[0].PerUnit-si.PSI) > 1e-9 || u[1].Channels[0].LowFirst || u[1].Channels[0].PerUnit != si.Bar || u[3].Module.CountHi != 27648 ||
		math.Abs(u[3].Channels[3].Hi.PSI()-200) > 1e-9 {
		t.Errorf("units %+v", u)
	}
	l := s.Lines[0]
	if l.Turnaround != 4*time.Millisecond || !l.Strict || s.Lines[1].Strict || len(l.Faults) != fault.Kinds {
		t.Errorf("line %+v", l)
	}
	for i, f := range l.Faults {
		if want := fault.Kind(i); f.Kind != want || f.At != time.Duration(200+15*i)*time.Second || f.For != 10*time.Second {
			t.Errorf("fault %d: %+v, want %v", i, f, want)
		}
	}
	if f := l.Faults; f[0].Share != 0.3 || f[0].Every != 10*time.Minute || f[2].Share != 0.1 || f[2].By != 150*time.Millisecond || f[3].Unit != 21 || f[4].Unit != 0 {
		t.Errorf("faults %+v", f)
	}
	if c := u[2].Channels; c[0].Type != scenario.Int32 || c[0].LowFirst || !c[0].Swapped || math.Abs(c[0].PerUnit-si.PSI/1000) > 1e-9 || c[1].Type != scenario.Int16 || c[1].Swapped || math.Abs(c[1].PerUnit-1000) > 1e-9 {
		t.Errorf("channels %+v", c)
	}
	if !u[4].Switches || u[4].Channels[0].Type != scenario.Switch || u[3].Channels[0].Type != scenario.Int16 || !u[3].Channels[1].Swapped {
		t.Errorf("units %+v", u)
	}
	asked, own := s.Lines[1].Texts[0], s.Lines[2].Texts[0]
	if asked.Query != "#01\r" || string(asked.Reply.Append(nil, 12.34)) != "P=+012.34 psi*16\r\n" || asked.Point != points.Supply || // exclusive or by a few lines of Python
		own.Query != "" || own.Every != 100*time.Millisecond || own.PerUnit != si.Bar {
		t.Errorf("gauges of text %+v, %+v", asked, own)
	}
	for _, key := range []string{"weather:", "rate:", "zero:", "metering:", "grain:", "nozzle_life:", "vent_time:", "control_lag:", "compressor:", "vary:", "break:", "blowdown_after:", "refill_to:", "refill_time:", "notices:", "about:", "seed:", "atmosphere:", "gauges:", "fill:", "refill_below:", "over:", "leak:", "order:", "counts:", "range:"} {
		if !strings.Contains(scenario.Reference, key) {
			t.Errorf("the reference lacks %s", key)
		}
	}
}

// Every bad file is refused with line, field and what to do.
func TestErrors(t *testing.T) {
	for _, tt := range []struct{ old, new, want string }{
		{"seed: 7", "seed: many", "seed: "},
		{"fill: 80 %", "fill: 130 %", "pots[0].fill: is not from 0 to 100 %"},
		{"fill: 80 %", "filling: 80 %", "pots[0].filling: "},
		{"noise: 0.1 %", "noise: 20 %", "pots[0].gauges.noise: is not from 0 to 5 %"},
		{"cycle: {press: 25 s", "cycle: {press: 25", "pots[0].script.cycle.press: "},
		{"for: 20 s, every: 5 min", "for: 6 min, every: 5 min", "every: needs a shorter for"},
		{"exhaust_shut: 60 %, over", "exhaust_shut: 160 %, over", "exhaust_shut: is not from 0 to 100 %"},
		{"trap: 1.3 psi}", "trap: 0 psi}", "trap: is not above zero"},
		{"trap: 1.3 psi}", "trap: 1.3}", "trap: "},
		{"trap: 1.3 psi}", "trap: 1.3 psi, over: 3 s}", "over: is for what grows"},
		{"compressor: off", "compressor: on", "compressor: "},
		{"weather: {temperature: 20 C", "weather: {temperature: 20 psi", "weather.temperature: "},
		{"barometer: 1005 mbar, after: 6 h", "barometer: 1005 mbar", "weather.then.after: is missing"},
		{"barometer: 1005 mbar", "barometer: 300 mbar", "weather.then.barometer: is not from 500 to 1100 mbar"},
		{"rate: 10 Hz", "rate: 10", "rate: \"10\" is not a rate"},
		{"zero: 0 psi, span", "zero: -1 psi, span", "gauges.zero: is not from 0 to 50 kPa"},
		{"    metering: 100 %", "    metering: 1000 %", "pots[0].metering: is not from 5 to 500 %"},
		{"grain: 0.6 mm", "grain: 60 mm", "grain: is not a grain's diameter"},
		{"nozzle_life: 350 t", "nozzle_life: 0 t", "nozzle_life: is not above zero"},
		{"compressor: {capacity: 180 %", "compressor: {capacity: 5 %", "compressor.capacity: is not from 10 to 2000 %"},
		{"control: throttles", "control: hums", "compressor.control: \"hums\" is not one of the choices"},
		{"vary: 20 %", "vary: 120 %", "cycle.vary: is not from 0 to 100 %"},
		{"blowdown_after: 2", "blowdown_after: none", "cycle.blowdown_after: "},
		{"notices: 15 s", "notices: soon", "cycle.notices: "},
		{"break: {every: 90 min, for: 15 min}", "break: 15 min", "cycle.break: "},
		{"consumer: 80 cfm", "consumer: 80 psi", "consumer: \"80 psi\" is not a flow of free air"},
		{"seal_leak: 5 mm", "seal_leak: 5 m", "seal_leak: is not a bore up to 50 mm"},
		{"metering_by: 50 %", "metering_by: 500 %", "metering_by: is not from -100 to 400 %"},
		{"inlet: stuck-shut", "inlet: ajar", "inlet: \"ajar\" is not one of the choices"},
		{"hose: plugged", "hose: plugged, over: 3 s", "over: is for what grows"},
		{"handle: tied", "handle: taped", "handle: \"taped\" is not one of the choices"},
		{"refill: true}", "refill: 140 %}", "refill: is not from 0 to 100 %"},
		{"spikes: {share: 1 %, by: 30 psi}", "spikes: 1 %", "spikes: "},
		{"swapped: vessel", "swapped: hose", "swapped: is not another point of alder"},
		{"swapped: vessel", "swapped: nozzle", "swapped: is not another point of alder"},
		{"port: 5 s}", "port: 5 s, over: 5 s}", "over: is for what grows"},
		{"nozzle: plugged", "nozzle: plugged, compressor: off", "nozzle: stands beside compressor; write two events"},
		{"trap: 1.3 psi}", "snow: true}", "at: has no key that says what happens; keys: press, refill"},
		{"stuck: true", "stuck: false", "stuck: "},
		{"stuck: true", "frozen: true", "gauge: has no key that says the fault; keys: drift, span, scale"},
		{"scale: 0.1", "scale: 0", "scale: \"0\" is not a factor"},
		{"current: 21.6 mA", "current: 21.6", "current: \"21.6\" is not a loop current"},
		{"gauge: hose", "gauge: nozzle", "gauge: nozzle is not among the points of alder"},
		{"reads: {pot: birch, point: vessel}", "reads: {pot: birch, point: hose}", "reads.point: birch has no point hose"},
		{"{at: 110 s, gauge: supply, scale: 0.1}", "{at: 110 s, press: true}", "press: stands beside cycle"},
		{"points: [vessel, control]", "control: {inverse: true}\n    points: [vessel, control]", "control: is inverse"},
		{"points: [vessel, control]", "control: electric\n    points: [vessel, control]", "point: the handle of birch is electric; give it a unit of kind: switch"},
		{"mode: 57600 8E1", "mode: 57600 7E1", "lines[0].mode: \"57600 7E1\" is not a line mode"},
		{"unit: 22", "unit: 21", "lines[0].units[1].unit: 21 stands on this line a second time"},
		{"unit: 22", "unit: 248", "lines[0].units[1].unit: "},
		{"kind: module", "kind: box", "kind: "},
		{"counts: 0..27648", "counts: 5..5", "counts: \"5..5\" are not the counts"},
		{"order: high-first", "order: middle-first", "order: "},
		{"unit: bar}", "unit: furlong}", "unit: \"furlong\" is not a unit of pressure"},
		{"address: 305", "address: 304", "address: register 304 belongs to another channel"},
		{"point: hose, address: 305", "point: nozzle, address: 305", "point: alder has no point nozzle"},
		{"point: hose, address: 305", "point: separator, address: 305", "point: separator of alder stands on a channel already"},
		{"point: hose, address: 305", "point: separator, address: 305", "pots[0].points: hose of alder stands on no line"},
		{"address: 307, range: 0..200 psi", "address: 307", "range: is missing, and birch declares none for vessel"},
		{"address: 306, range: 0..200 psi", "address: 306, range: 0..100 psi", "range: differs from the one under pots"},
		{"counts: 0..27648", "counts: -5..40000", "counts: \"-5..40000\" are not the counts"},
		{"type: int32, order: high-first", "type: int32", "order: is missing"},
		{"type: int16, scale: 0.01", "type: int16, order: low-first, scale: 0.01", "order: is for values of two registers"},
		{"type: int16, scale: 0.01", "type: int64, scale: 0.01", "type: \"int64\" is not one of the choices"},
		{"type: int16, scale: 0.01", "type: int16, scale: -1", "scale: is negative"},
		{"type: int16, scale: 0.01", "type: int16, bytes: middle-first", "bytes: "},
		{"address: 2, type: int16", "address: 1, type: int16", "address: register 1 belongs to another channel"},
		{"kind: switch, channels: [{pot: cedar, point: control", "kind: switch, channels: [{pot: cedar, point: supply", "point: supply of cedar is no switch"},
		{"gauge: control, stuck: true", "gauge: control, drift: 1 psi", "gauge: control is a switch here"},
		{"turnaround: 4 ms", "turnaround: 4", "turnaround: "},
		{"strict: true", "strict: perhaps", "strict: "},
		{"crc: 30 %", "crc: 130 %", "faults[0].crc: is not from 0 to 100 %"},
		{"crc: 30 %", "crc: 30 %, echo: true", "echo: stands beside crc"},
		{"crc: 30 %", "snow: 30 %", "faults[0].at: has no key that says the fault; keys: crc, truncated"},
		{"late: {share: 10 %, by: 150 ms}", "late: 10 %", "faults[2].late: "},
		{"late: {share: 10 %, by: 150 ms}", "late: {share: 10 %}", "faults[2].late.by: is missing"},
		{"exception: 10 %, unit: 21", "exception: 10 %, unit: 20", "unit: 20 does not stand on this line"},
		{"echo: true", "echo: true, unit: 21", "unit: echo meets the whole line"},
		{"echo: true", "echo: 10 %", "echo: "},
		{"for: 10 s, every: 10 min, crc", "every: 10 min, crc", "every: needs a shorter for"},
		{"{at: 200 s, for: 10 s, crc: 30 %}\n  # A gauge", "{at: 200 s, for: 10 s, stray: 30 %}\n  # A gauge", "lines[1].faults[0].stray: is for Modbus"},
		{"{at: 200 s, for: 10 s, crc: 30 %}\n  # A gauge", "{at: 200 s, for: 10 s, crc: 30 %, unit: 1}\n  # A gauge", "unit: 1 does not stand on this line"},
		{"query: '#01\\r'", "query: '#01\\q'", "query: "},
		{"query: '#01\\r'", "query: '#01\\r', every: 1 s", "every: stands beside query"},
		{"{value:+07.2f} psi{/body}", "{value:+07.2d} psi{/body}", "reply: \"+07.2d\" is no form of a number"},
		{"every: 100 ms, reply", "reply", "every: is missing"},
		{"every: 100 ms, reply", "every: 10 ms, reply", "every: is too short: one line of text takes"},
		{"pot: cedar, point: supply, unit: psi}", "pot: cedar, point: supply, unit: psi}\n      - {every: 1 s, reply: '{value}', pot: cedar, point: hose, unit: bar}", "text: has a gauge that sends by itself beside another"},
		{"pot: cedar, point: supply, unit: psi}", "pot: cedar, point: supply, unit: psi}\n      - {query: '1\\r', reply: '{value}', pot: cedar, point: hose, unit: bar}", "both gauges would answer"},
		{"    text:\n      - {every", "    units: []\n    text:\n      - {every", "text: stands beside units"},
		{"link: run/sim/a", "link: run/sim/a\n    lonk: b", "lines[0].lonk: "},
	} {
		text := strings.Replace(scenario.Reference, tt.old, tt.new, 1)
		if text == scenario.Reference {
			t.Fatalf("%q is not in the reference", tt.old)
		}
		_, err := scenario.Parse("sim.yaml", []byte(text))
		var ye *yamlfile.Error
		if !errors.As(err, &ye) || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "sim.yaml:") {
			t.Errorf("%q: %v\nlacks %s", tt.new, err, tt.want)
		}
	}
}

// A moment may be zero, a length of time may not.
func TestZeroMoment(t *testing.T) {
	for text, ok := range map[string]bool{"0 s": true, "0s": true, "0.0 min": true, "0 ms": true, "0": false, "0 psi": false, "-1 s": false, "1.5 s": true, "": false} {
		file := strings.Replace(scenario.Reference, "at: 60 s", "at: \""+text+"\"", 1)
		s, err := scenario.Parse("sim.yaml", []byte(file))
		if (err == nil) != ok {
			t.Errorf("at %q: %v", text, err)
		}
		if ok && err == nil && strings.HasPrefix(text, "0") && s.Pots[0].Script.Events[1].At != 0 {
			t.Errorf("at %q is %v", text, s.Pots[0].Script.Events[1].At)
		}
	}
	file := strings.Replace(scenario.Reference, "press: 25 s", "press: 0 s", 1)
	if _, err := scenario.Parse("sim.yaml", []byte(file)); err == nil {
		t.Error("a press of no length is taken")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(scenario.Reference))
	for _, name := range scenario.Names() {
		text, err := scenario.Text(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := scenario.Parse("sim.yaml", text)
		if err != nil {
			return
		}
		w, err := scenario.NewWorld(s)
		if err != nil {
			return // an impossible pot
		}
		w.Step()
	})
}

// The demonstration built in is the file of the demo folder.
func TestDemoIsTheDemo(t *testing.T) {
	want, err := os.ReadFile(filepath.FromSlash("../../../deploy/demo/sim.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	got, err := scenario.Text("demo")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("builtin/demo.yaml and deploy/demo/sim.yaml differ; copy the one that is right over the other")
	}
}

func TestBuiltins(t *testing.T) {
	names := scenario.Names()
	if len(names) < 10 {
		t.Errorf("only %v", names)
	}
	for _, name := range names {
		s, err := scenario.Builtin(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if s.About == "" {
			t.Errorf("%s says nothing about itself", name)
		}
	}
	if _, err := scenario.Builtin("snow"); err == nil || !strings.Contains(err.Error(), "demo") {
		t.Errorf("unknown scenario: %v", err)
	}
}
