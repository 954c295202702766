package scenario_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/scenario"
)

func TestRelayReference(t *testing.T) {
	s, err := scenario.Parse("reference.yaml", []byte(scenario.Reference))
	if err != nil {
		t.Fatal(err)
	}
	var relay *scenario.Unit
	for i := range s.Lines[0].Units {
		if u := &s.Lines[0].Units[i]; len(u.Outputs) > 0 {
			relay = u
		}
	}
	want := []scenario.Output{{Pot: "alder", Name: "beacon"}, {Pot: "alder", Name: "heartbeat", Output: line.Output{Register: true, Address: 40, Feeds: true}},
		{Pot: "birch", Name: "beacon", Output: line.Output{Address: 1, Toggled: 1500 * time.Millisecond}}, {Pot: "cedar", Name: "beacon", Output: line.Output{Address: 2, Welded: true}}}
	if relay == nil || relay.ID != 30 || relay.Watchdog != 2*time.Second || len(relay.Outputs) != len(want) {
		t.Fatalf("relay %+v", relay)
	}
	for i, w := range want {
		if relay.Outputs[i] != w {
			t.Errorf("output %d: %+v, want %+v", i, relay.Outputs[i], w)
		}
	}
}

func TestRelayErrors(t *testing.T) {
	for _, tt := range []struct{ old, new, want string }{
		{"{pot: alder, name: beacon, coil: 0}", "{pot: alder, name: beacon}", "outputs[0].pot: has no key that says what is written; keys: coil, register"},
		{"{pot: alder, name: beacon, coil: 0}", "{pot: oak, name: beacon, coil: 0}", "outputs[0].pot: oak is not a pot of this file"},
		{"{pot: alder, name: beacon, coil: 0}", "{pot: alder, coil: 0}", "outputs[0].name: is missing"},
		{"{pot: alder, name: beacon, coil: 0}", "{pot: alder, name: beacon, coil: 70000}", "outputs[0].coil: "},
		{"{pot: alder, name: beacon, coil: 0}", "{pot: alder, name: beacon, coil: 0, register: 3}", "register: stands beside coil"},
		{"{pot: alder, name: beacon, coil: 0}", "{pot: alder, name: heartbeat, coil: 0}", "outputs[1].name: alder has an output of this name already"},
		{"name: beacon, coil: 1,", "name: beacon, coil: 0,", "outputs[2].coil: 0 belongs to another output"},
		{"watchdog: 2 s", "watchdog: 2", "watchdog: "},
		{"        watchdog: 2 s\n", "", "outputs[1].feeds: has no watchdog to feed"},
		{"toggled: 1.5 s", "toggled: soon", "outputs[2].toggled: "},
		{"welded: true", "welded: perhaps", "outputs[3].welded: "},
		{"welded: true", "snow: true", "outputs[3].snow: "},
		{"unit: 30\n        kind: relay", "unit: 5\n        kind: relay", "units[5].unit: 5 stands on this line a second time"},
		{"kind: relay\n", "kind: relay\n        channels: []\n", "units[5].channels: "},
	} {
		text := strings.Replace(scenario.Reference, tt.old, tt.new, 1)
		if text == scenario.Reference {
			t.Fatalf("%q is not in the reference", tt.old)
		}
		_, err := scenario.Parse("sim.yaml", []byte(text))
		if _, ok := errors.AsType[*yamlfile.Error](err); !ok || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q: %v\nlacks %s", tt.new, err, tt.want)
		}
	}
	text := scenario.Reference[:strings.Index(scenario.Reference, "          - {pot: alder, name: beacon")] + "          []\n"
	if _, err := scenario.Parse("sim.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), "outputs: has none") {
		t.Errorf("a relay without outputs: %v", err)
	}
}
