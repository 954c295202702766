package config_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/brokerlink"
	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const small = `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
buses:
  - port: /dev/ttyUSB0
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 21
        read:
          - {pot: alder, point: vessel, input: 2578, type: float32, order: low-first, unit: psi}
          - {pot: alder, point: hose, input: 2580, type: float32, order: low-first, unit: psi}
      - unit: 9
        read:
          - {pot: alder, point: control, input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel, control, hose]}
`

func TestParseReference(t *testing.T) {
	c, err := config.Parse("agent.yaml", []byte(config.Reference))
	if err != nil {
		t.Fatal(err)
	}
	if c.Agent != "quay-1" || c.Site != "harrow-quay" || !c.Simulated || c.Flush != 500*time.Millisecond || c.Journal != (config.Journal{Path: "./journal", Size: 512e6, Age: 24 * time.Hour, Sync: 5 * time.Second}) || c.Primary != "gritwatch" || len(c.Pots) != 3 {
		t.Errorf("%+v", c)
	}
	if want := (brokerlink.Settings{URL: "mqtts://broker.example:8883", User: "quay-1", PasswordFile: "/etc/gritwatch/password", CA: "/etc/gritwatch/ca.pem",
		Cert: "/etc/gritwatch/quay-1.pem", Key: "/etc/gritwatch/quay-1.key", ServerName: "broker.example"}); c.Broker != want {
		t.Errorf("broker %+v", c.Broker)
	}
	b := c.Buses[0]
	if b.Mode != (serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}) || b.Period != 200*time.Millisecond || b.Timeout != 100*time.Millisecond || b.Turnaround != 5*time.Millisecond {
		t.Errorf("bus %+v", b)
	}
	r := b.Units[0].Read[0]
	if b.Units[0].Unit != 21 || r.Pot != "alder" || r.Point != points.Vessel || r.Function != modbus.ReadInputRegisters || r.Address != 2578 ||
		r.Type != config.Float32 || !r.LowFirst || r.Scale.PerUnit != si.PSI || math.Abs(r.Scale.Hi.PSI()-200) > 1e-9 {
		t.Errorf("read %+v", r)
	}
	r = b.Units[1].Read[2]
	if r.Point != points.Vessel || r.Scale.CountHi != 27648 || r.Scale.CurrentLo != 4e-3 || r.Scale.Kind != vent.KindSealed || math.Abs(r.Scale.Hi.PSI()-200) > 1e-9 || r.Scale.PerUnit != 0 {
		t.Errorf("read of counts %+v: the range stands under pots", r)
	}
	if r = b.Units[1].Read[3]; r.Function != modbus.ReadHoldingRegisters || r.Type != config.Uint16 || math.Abs(r.Scale.PerUnit-1000) > 1e-9 {
		t.Errorf("read of hundredths of a bar %+v", r)
	}
	if r = b.Units[1].Read[4]; r.Function != modbus.ReadDiscreteInputs || r.Type != config.Discrete || r.Point != points.Control {
		t.Errorf("read of a switch %+v", r)
	}
}

func TestParseSmall(t *testing.T) {
	c, err := config.Parse("agent.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	if want := (config.Journal{Path: "./journal", Size: 512e6, Age: 24 * time.Hour, Sync: 5 * time.Second}); c.Journal != want {
		t.Errorf("journal %+v", c.Journal)
	}
	if c.Primary != "" || c.Simulated || c.Flush != config.DefaultFlush || c.Buses[0].Timeout != config.DefaultTimeout || c.Buses[0].Turnaround != config.DefaultTurnaround || c.Broker.Address() != "127.0.0.1:1883" {
		t.Errorf("defaults: %+v", c)
	}
}

func TestParseJournal(t *testing.T) {
	for text, want := range map[string]config.Journal{
		"./j": {Path: "./j", Size: 512e6, Age: 24 * time.Hour, Sync: 5 * time.Second},
		"{path: /var/lib/j, size: 2.5 GB, age: 72 h, sync: 500 ms}": {Path: "/var/lib/j", Size: 2.5e9, Age: 72 * time.Hour, Sync: 500 * time.Millisecond},
		"{path: j, size: 10MB}": {Path: "j", Size: 10e6, Age: 24 * time.Hour, Sync: 5 * time.Second},
	} {
		c, err := config.Parse("agent.yaml", []byte("journal: "+text+"\n"+small))
		if err != nil || c.Journal != want {
			t.Errorf("%s: %+v, %v", text, c.Journal, err)
		}
	}
}

// Half the counts of 0..20 mA are 10 mA; that is 6/16 of the way from 4 to 20 mA.
func TestScale(t *testing.T) {
	s := config.Scale{CountHi: 27648, CurrentHi: 20e-3}
	if got := s.Current(13824); math.Abs(float64(got)-10e-3) > 1e-12 {
		t.Errorf("current at half the counts = %v A", got)
	}
	// ISO 2533: 101325 Pa. A sealed gauge shows 0 at that pressure, an absolute one 101325.
	for _, c := range []struct {
		kind vent.Kind
		own  si.GaugePressure
		want float64
	}{{vent.KindGauge, 500, 500}, {vent.KindSealed, 0, 101325 - 90000}, {vent.KindAbsolute, 90000, 0}} {
		if got := (config.Scale{Kind: c.kind, Ambient: 90000}).Gauge(c.own); math.Abs(float64(got)-c.want) > 1e-6 {
			t.Errorf("%s: %v Pa, want %v", c.kind, float64(got), c.want)
		}
	}
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"agent: quay-1", "agent: Quay 1", `agent.yaml:1: agent: "Quay 1" is not a name; write 1 to 32 of a-z, 0-9 and -, for example quay-1`},
		{"site: harrow-quay\n", "", `agent.yaml:1: site: is missing; write for example site: quay-1`},
		{"site: harrow-quay", "site: harrow-quay\nbrokers: 3", `agent.yaml:3: brokers: `},
		{"site: harrow-quay", "site: harrow-quay\nprimary_host: a/b", `agent.yaml:3: primary_host: id "a/b" has one of + / # in it, which divide topics; write the id of a Sparkplug host, for example gritwatch, or leave it out`},
		{"site: harrow-quay", "site: harrow-quay\njournal:", `agent.yaml:3: journal: is empty`},
		{"site: harrow-quay", "site: harrow-quay\njournal: [a]", `agent.yaml:3: journal: is a list where a single value should be`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {size: 1 GB}", `agent.yaml:3: journal.path: is missing; write for example path: ./journal`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, folder: k}", `agent.yaml:3: journal.folder: unknown key`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, size: 512}", `agent.yaml:3: journal.size: "512" is not a size; write for example 512 MB or 4 GB`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, size: 512 KB}", `agent.yaml:3: journal.size: "512 KB" is not a size; write for example 512 MB or 4 GB`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, size: 9 MB}", `agent.yaml:3: journal.size: 9 MB is not from 10 MB to 1000 GB`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, size: NaN MB}", `agent.yaml:3: journal.size: NaN MB is not from 10 MB to 1000 GB`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, age: 10 s}", `agent.yaml:3: journal.age: 10s is not from 1m0s to 8784h0m0s`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, sync: 2 min}", `agent.yaml:3: journal.sync: 2m0s is not from 100ms to 1m0s`},
		{"site: harrow-quay", "site: harrow-quay\njournal: {path: j, sync: 5}", `agent.yaml:3: journal.sync: "5" is not a time: it has no unit; `},
		{`"mqtt://127.0.0.1"`, `127.0.0.1`, `agent.yaml:3: broker.url: "127.0.0.1" is not the address of a broker; write for example mqtt://127.0.0.1:1883`},
		{`"mqtt://127.0.0.1"`, `"https://127.0.0.1"`, `agent.yaml:3: broker.url: "https://127.0.0.1" has the scheme "https", which is not spoken here; write for example mqtt://127.0.0.1:1883, or mqtts://... for TLS`},
		{`"mqtt://127.0.0.1"`, `"mqtt://127.0.0.1:99999"`, `agent.yaml:3: broker.url: "mqtt://127.0.0.1:99999" has a port that is not from 1 to 65535; write for example mqtt://127.0.0.1:1883`},
		{`"mqtt://127.0.0.1"`, `"mqtt://a:b@127.0.0.1"`, `agent.yaml:3: broker.url: "mqtt://...@127.0.0.1" holds a log-in; write user and password_file beside url`},
		{`"mqtt://127.0.0.1"}`, `"mqtt://127.0.0.1", password: x}`, `agent.yaml:3: broker.password: stands without a user; add user`},
		{`"mqtt://127.0.0.1"}`, `"mqtts://127.0.0.1", cert: c}`, `agent.yaml:3: broker.cert: stands without its key; add key`},
		{`"mqtt://127.0.0.1"}`, `"mqtt://127.0.0.1", ca: c}`, `agent.yaml:3: broker.ca: has no use without TLS; write mqtts:// in url`},
		{`"mqtt://127.0.0.1"}`, `"mqtt://127.0.0.1", user: a, username: b}`, `agent.yaml:3: broker.username: stands beside user; write user alone`},
		{`"mqtt://127.0.0.1"}`, `"mqtt://127.0.0.1", embedded: x}`, `agent.yaml:3: broker.embedded: unknown key`},
		{"19200 8E1", "19200 7E1", `agent.yaml:6: buses[0].mode: "19200 7E1" has 7 data bits, but Modbus RTU needs 8; write for example "19200 8E1": speed, data bits, parity N, E or O, stop bits`},
		{"period: 100ms", "period: 3 s", `agent.yaml:7: buses[0].period: 3s is not from 10ms to 2s`},
		{"period: 100ms", "period: 100", `agent.yaml:7: buses[0].period: "100" is not a time: it has no unit; `},
		{"unit: 21", "unit: 248", `agent.yaml:9: buses[0].units[0].unit: "248" is not a whole number from 1 to 247`},
		{"unit: 21", "unit: 0", `agent.yaml:9: buses[0].units[0].unit: "0" is not a whole number from 1 to 247`},
		{"unit: 9\n", "unit: 21\n", `agent.yaml:13: buses[0].units[1].unit: 21 stands on this bus a second time; put all its points under one unit`},
		{"input: 2580", "input: 2579", `agent.yaml:12: buses[0].units[0].read[1].input: overlaps with vessel of alder, which begins at 2578; one register belongs to one point; look at the addresses and types`},
		{"input: 2580", "input: 65535", `agent.yaml:12: buses[0].units[0].read[1].input: runs past the last register, 65535`},
		{"input: 2580", "input: 2580, holding: 1", `agent.yaml:12: buses[0].units[0].read[1].holding: stands beside input; one point has one address`},
		{"input: 2580, ", "", `agent.yaml:12: buses[0].units[0].read[1].input: is missing; write input: N (function 04)`},
		{"pot: alder, point: vessel", "pot: oak, point: vessel", `agent.yaml:11: buses[0].units[0].read[0].pot: "oak" is not among the pots of this file; pots: alder`},
		{"point: hose", "point: nozzle", `agent.yaml:12: buses[0].units[0].read[1].point: nozzle is not among the points of alder; add it there, or read another point`},
		{"point: hose", "point: vessel", `agent.yaml:12: buses[0].units[0].read[1].point: vessel of alder is read already; every point has one gauge`},
		{"point: hose", "point: tank", `agent.yaml:12: buses[0].units[0].read[1].point: "tank" is not a measuring point; points: supply`},
		{"points: [vessel, control, hose]", "points: [supply, vessel, control, hose]", `agent.yaml:17: pots[0].points: supply of alder is read nowhere; add it under read of the unit that measures it, or take it out of points`},
		{"type: float32, order: low-first, unit: psi}\n          - {pot: alder, point: hose", "type: float32, unit: psi}\n          - {pot: alder, point: hose", `agent.yaml:11: buses[0].units[0].read[0].order: is missing; write for example order: high-first`},
		{"type: int16,", "type: int64,", `agent.yaml:15: buses[0].units[1].read[0].type: "int64" is not one of the choices; choices: int16, uint16, int32, float32`},
		{"type: int16,", "type: int32,", `agent.yaml:15: buses[0].units[1].read[0].order: is missing; write for example order: high-first`},
		{"type: int16,", "type: int16, order: low-first,", `agent.yaml:15: buses[0].units[1].read[0].order: is for int32 and float32, which take two registers; take it out, or look at the type`},
		{"current: 0..20 mA, ", "", `agent.yaml:15: buses[0].units[1].read[0].current: is missing; counts need the current they stand for, for example current: 0..20 mA: without it a broken wire looks like zero pressure`},
		{"counts: 0..27648, ", "", `agent.yaml:15: buses[0].units[1].read[0].counts: is missing; write what counts stand for the currents`},
		{"counts: 0..27648", "counts: 27648..0", `agent.yaml:15: buses[0].units[1].read[0].counts: "27648..0" do not rise from the first to the second`},
		{"counts: 0..27648", "counts: many", `agent.yaml:15: buses[0].units[1].read[0].counts: "many" are not counts; write for example 0..27648`},
		{"counts: 0..27648", "counts: 0..65535", `agent.yaml:15: buses[0].units[1].read[0].counts: are not from -32768 to 32767, as int16 has them`},
		{"current: 0..20 mA", "current: 0..10 mA", `agent.yaml:15: buses[0].units[1].read[0].current: does not hold 4..20 mA; write the whole range of the input`},
		{", range: 0..200 psi}", "}", `agent.yaml:15: buses[0].units[1].read[0].range: is missing; write what 4..20 mA stand for, for example range: 0..200 psi`},
		{", range: 0..200 psi}", ", unit: psi}", `agent.yaml:15: buses[0].units[1].read[0].unit: stands beside counts or current; `},
		{"low-first, unit: psi}\n      -", "low-first}\n      -", `agent.yaml:12: buses[0].units[0].read[1].unit: is missing; write unit: psi for a value that is a pressure, or counts, current and range for one of a 4-20 mA input`},
		{"low-first, unit: psi}\n      -", "low-first, unit: furlong}\n      -", `agent.yaml:12: buses[0].units[0].read[1].unit: "furlong" is not a unit of pressure; write for example psi, or 0.01 bar where the value counts hundredths`},
		{"low-first, unit: psi}\n      -", "low-first, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}\n      -", `agent.yaml:12: buses[0].units[0].read[1].counts: are for int16, uint16 and int32; write unit`},
		// The vessel: live zero, and a range that fits.
		{"2578, type: float32, order: low-first, unit: psi", "2578, type: uint16, counts: 0..65535, current: 4..20 mA, range: 0..200 psi", `agent.yaml:11: buses[0].units[0].read[0].current: is a dead-zero input: uint16 shows no current at or under 3.6 mA, so a broken wire looks like zero pressure; a vessel needs an input that counts on under 4 mA (int16, or 0..20 mA)`},
		{"2578, type: float32, order: low-first, unit: psi", "2578, type: uint16, unit: psi", `agent.yaml:11: buses[0].units[0].read[0].type: is a dead-zero input: uint16 shows nothing under zero`},
		{"2578, type: float32, order: low-first, unit: psi", "2578, type: int16, counts: 0..27648, range: 0..200 psi", `agent.yaml:11: buses[0].units[0].read[0].current: is missing; counts need the current they stand for`},
		{"order: low-first, unit: psi}\n          - {pot: alder, point: hose", "order: low-first, unit: psi, range: 0..160 psi}\n          - {pot: alder, point: hose", `agent.yaml:11: buses[0].units[0].read[0].range: ends at 1.07 times the vessel's rating; `},
		{"order: low-first, unit: psi}\n          - {pot: alder, point: hose", "order: low-first, unit: psi, range: 0..500 psi}\n          - {pot: alder, point: hose", `agent.yaml:11: buses[0].units[0].read[0].range: ends at 3.33 times the vessel's rating; `},
		{"order: low-first, unit: psi}\n          - {pot: alder, point: hose", "order: low-first, unit: psi, range: 5..200 psi}\n          - {pot: alder, point: hose", `agent.yaml:11: buses[0].units[0].read[0].range: does not reach down to zero gauge; `},
		{"points: [vessel, control, hose]", "points: [vessel, {control: {range: 0..10 bar}}, hose]", `agent.yaml:15: buses[0].units[1].read[0].range: differs from the one of control under pots; they must be equal; write it in one place`},
		// An electric handle.
		{"points: [vessel, control, hose]", "control: electric, points: [vessel, control, hose]", `agent.yaml:15: buses[0].units[1].read[0].point: is a switch (control: electric); read it as one: discrete: 0 (function 02) or coil: 0 (function 01)`},
		{"input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi", "discrete: 0", `agent.yaml:15: buses[0].units[1].read[0].discrete: is for the handle of a pot with control: electric alone; read pressures with input or holding`},
		// Lists with nothing in them, and the same port twice.
		{"buses:", "buses: []\nold:", `agent.yaml:4: buses: has no line; add one: port, mode, period, units`},
		{"pots:\n", "  - {port: /dev/../dev/ttyUSB0, mode: 9600 8N1, period: 1 s, units: [{unit: 1, read: []}]}\npots:\n", `agent.yaml:16: buses[1].port: /dev/../dev/ttyUSB0 is the port of another bus; put all units of one line under one bus`},
		{"pots:\n", "  - {port: /dev/../dev/ttyUSB0, mode: 9600 8N1, period: 1 s, units: [{unit: 1, read: []}]}\npots:\n", `agent.yaml:16: buses[1].units[0].read: has no point; add one`},
	} {
		text := strings.Replace(small, c.old, c.new, 1)
		if text == small {
			t.Fatalf("%q is not in the file", c.old)
		}
		_, err := config.Parse("agent.yaml", []byte(text))
		var ye *yamlfile.Error
		if err == nil || !errors.As(err, &ye) {
			t.Errorf("%q: %v, want %s", c.new, err, c.want)
			continue
		}
		if !strings.Contains("\n"+err.Error()+"\n", "\n"+c.want) {
			t.Errorf("%q:\n%v\nlacks the line\n%s", c.new, err, c.want)
		}
	}
}

// A range under pots counts as equal whatever unit it is written in.
func TestRangeInOtherUnits(t *testing.T) {
	text := strings.Replace(small, "range: 0..200 psi", "range: 0..1000 kPa", 1)
	text = strings.Replace(text, "points: [vessel, control, hose]", "points: [vessel, {control: {range: 0..10 bar}}, hose]", 1)
	if _, err := config.Parse("agent.yaml", []byte(text)); err != nil {
		t.Error(err)
	}
}

func TestLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "agent.yaml")
	if _, err := config.Load(path); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), path) {
		t.Errorf("missing file: %v", err)
	}
	if err := os.WriteFile(path, []byte(small), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := config.Load(path); err != nil || c.Agent != "quay-1" {
		t.Errorf("%+v, %v", c, err)
	}
}
