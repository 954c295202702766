package config_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/internal/yamlfile"
)

const beacons = `      - unit: 31
        beacons:
          - {pot: alder, coil: 0, watchdog: 2 s, prove: {coil: 7}}
          - {pot: alder, register: 3, toggle: true, contact: 1}
pots:
`

func TestParseBeacons(t *testing.T) {
	c, err := config.Parse("agent.yaml", []byte(strings.Replace(small, "pots:\n", beacons, 1)))
	if err != nil {
		t.Fatal(err)
	}
	contact := uint16(1)
	want := []config.Beacon{
		{Pot: "alder", Watchdog: 2 * time.Second, Prove: &config.Output{Address: 7}},
		{Pot: "alder", Output: config.Output{Register: true, Address: 3}, Contact: &contact},
	}
	u := c.Buses[0].Units[2]
	if u.Unit != 31 || len(u.Read) != 0 || !reflect.DeepEqual(u.Beacons, want) || u.Beacons[0].Toggled() || !u.Beacons[1].Toggled() {
		t.Errorf("%+v", u)
	}
	// Outputs may stand beside what is read.
	text := strings.Replace(small, "      - unit: 9\n", "      - unit: 9\n        beacons: [{pot: alder, coil: 304, watchdog: 300 ms, prove: {register: 304}}]\n", 1)
	if c, err = config.Parse("agent.yaml", []byte(text)); err != nil || len(c.Buses[0].Units[1].Beacons) != 1 || len(c.Buses[0].Units[1].Read) != 1 {
		t.Errorf("%v", err)
	}
}

func TestParseBeaconErrors(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"pot: alder, coil: 0", "pot: oak, coil: 0", `beacons[0].pot: "oak" is not among the pots of this file; pots: alder`},
		{"coil: 0, ", "", `beacons[0].coil: is missing; write coil: N (function 05) or register: N (function 06)`},
		{"coil: 0,", "coil: 0, register: 0,", `beacons[0].register: stands beside coil; one output has one address`},
		{", watchdog: 2 s, prove: {coil: 7}", "", `beacons[0].watchdog: is missing, and so is toggle: the beacon would stay lit when the agent dies; write toggle: true`},
		{"toggle: true", "toggle: false", `beacons[1].watchdog: is missing, and so is toggle: the beacon would stay lit when the agent dies`},
		{"toggle: true", "toggle: true, watchdog: 2 s", `beacons[1].toggle: stands beside watchdog`},
		{"toggle: true", "toggle: true, prove: {coil: 7}", `beacons[1].prove: is for a watchdog`},
		{"watchdog: 2 s", "watchdog: 3 s", `beacons[0].watchdog: 3s is not from 300ms to 2s; set the relay itself to so long`},
		{"watchdog: 2 s", "watchdog: 100 ms", `beacons[0].watchdog: 100ms is not from 300ms to 2s`},
		{"watchdog: 2 s", "watchdog: 2", `beacons[0].watchdog: "2" is not a time: it has no unit`},
		{"prove: {coil: 7}", "prove: {coil: 0}", `beacons[0].prove: coil 0 is the beacon of alder; the proof energises this output`},
		{"prove: {coil: 7}", "prove: {register: 3}", `beacons[0].prove: register 3 is the beacon of alder`},
		{"register: 3", "coil: 0", `beacons[1].coil: 0 is the beacon of alder already; one output lights one beacon`},
		{"register: 3, toggle: true, contact: 1", "register: 3, watchdog: 1 s", `beacons[1].watchdog: differs from the 2s of another beacon of this unit; a unit has one watchdog`},
		{"register: 3, toggle: true, contact: 1", "register: 3, watchdog: 2 s, prove: {coil: 6}", `beacons[1].prove: differs from that of another beacon of this unit`},
		{"{coil: 7}}", "{coil: 7}, contact: 1}", `beacons[1].contact: 1 shows the beacon of alder already`},
		{"contact: 1", "contact: 70000", `beacons[1].contact: "70000" is not a whole number from 0 to 65535`},
		{"contact: 1", "lamp: 1", `beacons[1].lamp: `},
		{"        beacons:\n", "        beacons: []\n        outputs:\n", `beacons: has none; write for example`},
	} {
		text := strings.Replace(small, "pots:\n", strings.Replace(beacons, c.old, c.new, 1), 1)
		if !strings.Contains(beacons, c.old) {
			t.Fatalf("%q is not in the file", c.old)
		}
		wantError(t, c.new, text, c.want)
	}
	reads := "      - unit: 9\n        beacons: [{pot: alder, BEACON}]\n"
	for beacon, want := range map[string]string{
		"register: 40, watchdog: 2 s":                   `beacons[0].register: 40 is read as a point; a point is never written to`,
		"register: 41, watchdog: 2 s":                   `beacons[0].register: 41 is read as a point`,
		"coil: 1, watchdog: 2 s, prove: {register: 40}": `beacons[0].prove.register: 40 is read as a point`,
		"register: 42, watchdog: 2 s, prove: {lamp: 1}": `beacons[0].prove.coil: is missing`,
	} {
		text := strings.Replace(small, "      - unit: 9\n", strings.Replace(reads, "BEACON", beacon, 1), 1)
		wantError(t, beacon, strings.Replace(text, "input: 304, type: int16", "holding: 40, type: int32, order: low-first", 1), want)
	}
	text := strings.Replace(small, "        read:\n          - {pot: alder, point: control", "        reads:\n          - {pot: alder, point: control", 1)
	wantError(t, "neither", text, `units[1].read: is missing`)
}

func wantError(t *testing.T, what, text, want string) {
	t.Helper()
	_, err := config.Parse("agent.yaml", []byte(text))
	var ye *yamlfile.Error
	if err == nil || !errors.As(err, &ye) || !strings.Contains(err.Error(), want) {
		t.Errorf("%q:\n%v\nlacks\n%s", what, err, want)
	}
}
