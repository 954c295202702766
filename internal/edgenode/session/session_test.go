package session_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/internal/edgenode/session"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/sparkplugtest"
)

const at si.Instant = 1_760_000_000_123_000

var start = time.Date(2025, 10, 9, 8, 53, 20, 0, time.UTC)

// tb is what a test, a fuzz target and a property have in common.
type tb interface {
	Helper()
	Fatal(args ...any)
	Errorf(format string, args ...any)
}

func machine(t tb, o session.Options) *session.Machine {
	t.Helper()
	o.Group, o.Node = "harrow-quay", "quay-1"
	m, err := session.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func vessel(v float32) sparkplug.Metric {
	return sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: si.GaugePressure(v)}, false)
}

func births(devices ...string) ([]sparkplug.Metric, []session.DeviceBirth) {
	var out []session.DeviceBirth
	for _, d := range devices {
		out = append(out, session.DeviceBirth{Device: d, Metrics: []sparkplug.Metric{vessel(1), sparkplug.Str(points.MetricGuardState, at, "not-proven")}})
	}
	return []sparkplug.Metric{sparkplug.Uint(points.MetricClockEpoch, at, 7), sparkplug.Uint(points.MetricEcho, at, 0)}, out
}

// born brings a machine through its births, and gives them.
func born(t tb, m *session.Machine, bdSeq uint8, devices ...string) []session.Message {
	t.Helper()
	m.Connect(at, bdSeq)
	return again(t, m, devices...)
}

func again(t tb, m *session.Machine, devices ...string) []session.Message {
	t.Helper()
	node, ds := births(devices...)
	out, err := m.Births(at, start, node, ds)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func read(t tb, m session.Message) (sparkplug.Topic, sparkplug.Message) {
	t.Helper()
	topic, err := sparkplug.ParseTopic(m.Topic)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := sparkplug.Decode(m.Payload)
	if err != nil {
		t.Fatal(err)
	}
	if len(msg.Metrics) != m.Metrics {
		t.Errorf("%s: says %d metrics, has %d", topic, m.Metrics, len(msg.Metrics))
	}
	return topic, msg
}

func state(online bool, ms int64) []byte {
	return sparkplug.State{Online: online, At: si.Instant(ms * 1000)}.Encode()
}

// Whatever the owner does, what comes out keeps Sparkplug's rules: told by a checker that knows only them.
func TestAnyOwner(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := machine(t, session.Options{})
		var names sparkplugtest.Names
		devices := []string{"alder", "birch", "cedar"}
		alive := map[string]bool{}
		bdSeq, seq := uint8(0), -1 // -1: no births since CONNECT
		connected := false
		take := func(out session.Message) {
			topic, msg := read(t, out)
			if err := names.Take(topic, msg); err != nil {
				t.Fatal(err)
			}
			if msg.At == 0 || topic.Group != "harrow-quay" || topic.Node != "quay-1" {
				t.Fatalf("%s: time %v", topic, msg.At)
			}
			if topic.Kind == sparkplug.NodeDeath {
				if bd, ok := msg.BdSeq(); !ok || bd != bdSeq || msg.HasSeq || out.QoS != 1 || len(msg.Metrics) != 1 || msg.Metrics[0].Type != sparkplug.Int64 {
					t.Fatalf("NDEATH %+v at QoS %d, want bdSeq %d", msg, out.QoS, bdSeq)
				}
				return
			}
			if out.QoS != 0 || !msg.HasSeq {
				t.Fatalf("%s: QoS %d, has seq %v", topic, out.QoS, msg.HasSeq)
			}
			if seq = (seq + 1) % 256; topic.Kind == sparkplug.NodeBirth {
				seq = 0
				clear(alive)
				if bd, ok := msg.BdSeq(); !ok || bd != bdSeq {
					t.Fatalf("NBIRTH with bdSeq %d, the will has %d", bd, bdSeq)
				}
				r := msg.Find(points.MetricRebirth)
				if v, ok := r.Value.Bool(); v || !ok || r.Type != sparkplug.Boolean {
					t.Fatalf("rebirth metric %+v", r)
				}
			}
			if int(msg.Seq) != seq {
				t.Fatalf("%s: seq %d, want %d", topic, msg.Seq, seq)
			}
			switch topic.Kind {
			case sparkplug.DeviceBirth:
				alive[topic.Device] = true
			case sparkplug.DeviceDeath:
				alive[topic.Device] = false
			case sparkplug.DeviceData:
				if !alive[topic.Device] {
					t.Fatalf("%s: not born", topic)
				}
			}
			for i, x := range msg.Metrics {
				birth := topic.Kind == sparkplug.NodeBirth || topic.Kind == sparkplug.DeviceBirth
				if x.At == 0 || birth && (x.Name == "" || x.Type == sparkplug.Unknown) || i > 0 && x.At < msg.Metrics[i-1].At {
					t.Fatalf("%s: metric %+v", topic, x)
				}
			}
		}
		device := rapid.SampledFrom(append(devices, "none"))
		t.Repeat(map[string]func(*rapid.T){
			"connect": func(t *rapid.T) {
				bdSeq = sparkplug.NextBdSeq(bdSeq)
				take(m.Connect(at, bdSeq))
				connected, seq = true, -1
				clear(alive)
			},
			"births": func(t *rapid.T) {
				node, ds := births(rapid.SliceOfDistinct(rapid.SampledFrom(devices), rapid.ID).Draw(t, "devices")...)
				out, err := m.Births(at, start, node, ds)
				if (err == nil) != connected {
					t.Fatalf("births while connected is %v: %v", connected, err)
				}
				for _, o := range out {
					take(o)
				}
			},
			"data": func(t *rapid.T) {
				d := device.Draw(t, "device")
				late := vessel(2)
				late.At -= si.Instant(rapid.IntRange(0, 9).Draw(t, "ms")) * 1000
				out, err := m.Data(at, d, []sparkplug.Metric{vessel(1), late})
				if ok := seq >= 0 && alive[d]; (err == nil) != ok {
					t.Fatalf("data of %s, born %v: %v", d, ok, err)
				}
				if err == nil {
					take(out)
				}
			},
			"node data": func(t *rapid.T) {
				out, err := m.Data(at, "", []sparkplug.Metric{sparkplug.Uint(points.MetricClockEpoch, at, 8)})
				if (err == nil) != (seq >= 0) {
					t.Fatalf("data: %v", err)
				}
				if err == nil {
					take(out)
				}
			},
			"not born": func(t *rapid.T) {
				for _, d := range append(devices, "") {
					if _, err := m.Data(at, d, []sparkplug.Metric{sparkplug.Bool("Never/Born", at, true)}); err == nil {
						t.Fatal("a metric goes out that was never born")
					}
				}
			},
			"death": func(t *rapid.T) {
				out, due, err := m.DeviceDeath(at, device.Draw(t, "device"))
				if (err == nil) != (seq >= 0) {
					t.Fatalf("death: %v", err)
				}
				if due {
					take(out)
				}
			},
			"return": func(t *rapid.T) {
				d := device.Draw(t, "device")
				_, known := alive[d]
				out, err := m.DeviceBirth(at, d, []sparkplug.Metric{vessel(3)})
				if ok := seq >= 0 && known; (err == nil) != ok {
					t.Fatalf("return of %s: %v", d, err)
				}
				if err == nil {
					take(out)
				}
			},
			"over": func(t *rapid.T) {
				m.Over()
				connected, seq = false, -1
			},
			"leave": func(t *rapid.T) {
				if connected {
					take(m.Death(at))
				}
				connected, seq = false, -1
			},
		})
	})
}

// Births again give the same numbers; another connection gives others, so that a host which has missed its births takes none
// for what it once stood for.
func TestAliases(t *testing.T) {
	m := machine(t, session.Options{})
	numbers := func(out []session.Message) map[string]uint64 {
		n := map[string]uint64{}
		for _, o := range out {
			topic, msg := read(t, o)
			for _, x := range msg.Metrics {
				if x.Aliased != (x.Name != points.MetricBdSeq && !strings.HasPrefix(x.Name, "Node Control/")) {
					t.Errorf("%s %s: has an alias %v", topic, x.Name, x.Aliased)
				}
				if x.Aliased {
					n[topic.Device+"/"+x.Name] = x.Alias
				}
			}
		}
		return n
	}
	first := numbers(born(t, m, 0, "alder", "birch"))
	if len(first) != 5 {
		t.Errorf("%d aliases: %v", len(first), first)
	}
	second := numbers(again(t, m, "birch", "alder"))
	for name, n := range first {
		if second[name] != n {
			t.Errorf("%s: alias %d, after a rebirth %d", name, n, second[name])
		}
	}
	third := numbers(born(t, m, 1, "alder", "birch"))
	for name, n := range third {
		for old, o := range first {
			if n == o {
				t.Errorf("%s has the number that %s had on the last connection", name, old)
			}
		}
	}
}

// A message that cannot be made takes no number.
func TestRefused(t *testing.T) {
	m := machine(t, session.Options{})
	if _, err := m.Data(at, "", nil); !errors.Is(err, session.ErrOffline) {
		t.Errorf("data before CONNECT: %v", err)
	}
	born(t, m, 0, "alder")
	noTime, both := vessel(1), vessel(1)
	noTime.At, both.Historical = 0, true
	for what, ms := range map[string][]sparkplug.Metric{
		"no time": {noTime}, "live and late": {vessel(1), both}, "another type": {sparkplug.Uint(points.Vessel.Metric(), at, 1)},
		"neither value nor null": {{Name: points.Vessel.Metric(), At: at}}, "not born": {sparkplug.OfSample(points.Sample{Point: points.Hose, At: at}, false)},
	} {
		if _, err := m.Data(at, "alder", ms); err == nil {
			t.Errorf("%s: taken", what)
		}
	}
	if _, err := m.DeviceBirth(at, "alder", []sparkplug.Metric{sparkplug.Bool(points.MetricSimulated, at, true)}); err == nil {
		t.Error("a return with a metric that was not born with the node")
	}
	out, err := m.Data(at, "alder", []sparkplug.Metric{vessel(1)})
	if err != nil {
		t.Fatal(err)
	}
	if _, msg := read(t, out); msg.Seq != 2 {
		t.Errorf("seq %d after two births and refusals", msg.Seq)
	}
	// What the last births leave out was not born.
	if _, err := m.Births(at, start, nil, []session.DeviceBirth{{Device: "alder", Metrics: []sparkplug.Metric{sparkplug.Bool(points.MetricSimulated, at, true)}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Data(at, "alder", []sparkplug.Metric{vessel(1)}); err == nil {
		t.Error("a metric of births before the last goes out")
	}
	for what, c := range map[string]struct {
		node    []sparkplug.Metric
		devices []session.DeviceBirth
	}{
		"metric twice":      {[]sparkplug.Metric{sparkplug.Uint("a", at, 1), sparkplug.Uint("a", at, 1)}, nil},
		"own metric again":  {[]sparkplug.Metric{sparkplug.BdSeq(at, 1)}, nil},
		"metrics by case":   {[]sparkplug.Metric{sparkplug.Uint("a", at, 1)}, []session.DeviceBirth{{Device: "x", Metrics: []sparkplug.Metric{sparkplug.Uint("A", at, 1)}}}},
		"devices by case":   {nil, []session.DeviceBirth{{Device: "x"}, {Device: "X"}}},
		"device twice":      {nil, []session.DeviceBirth{{Device: "x"}, {Device: "x"}}},
		"device id":         {nil, []session.DeviceBirth{{Device: "a/b"}}},
		"type of the value": {[]sparkplug.Metric{{Name: "a", Type: sparkplug.Float, At: at, Value: sparkplug.UintValue(1)}}, nil},
	} {
		m.Connect(at, 1)
		if out, err := m.Births(at, start, c.node, c.devices); err == nil || len(out) != 0 {
			t.Errorf("%s: born", what)
		}
		if _, err := m.Data(at, "", nil); !errors.Is(err, session.ErrOffline) {
			t.Errorf("%s: data after births that failed: %v", what, err)
		}
	}
	for _, o := range []session.Options{{Group: "a/b", Node: "n"}, {Group: "g"}, {Group: "g", Node: "n", Primary: "#"}, {Group: "g", Node: "n", Asker: "STATE"}} {
		if _, err := session.New(o); err == nil {
			t.Errorf("%+v: taken", o)
		}
	}
}

func TestCommands(t *testing.T) {
	m := machine(t, session.Options{})
	birth := born(t, m, 3)
	_, msg := read(t, birth[0])
	epoch := msg.Find(points.MetricClockEpoch)
	yes, no := sparkplug.Bool(points.MetricRebirth, at, true), sparkplug.Bool(points.MetricRebirth, at, false)
	null := yes
	null.Null = true
	byAlias := sparkplug.Metric{Alias: epoch.Alias, Aliased: true, At: at, Value: sparkplug.UintValue(1), Quality: points.Good}
	unknown := byAlias
	unknown.Alias = 99_999
	for what, c := range map[string]struct {
		ms      []sparkplug.Metric
		rebirth bool
		others  string
	}{
		"rebirth":           {[]sparkplug.Metric{yes}, true, ""},
		"no rebirth":        {[]sparkplug.Metric{no}, false, ""},
		"null":              {[]sparkplug.Metric{null}, false, ""},
		"of another type":   {[]sparkplug.Metric{sparkplug.Uint(points.MetricRebirth, at, 1)}, false, ""},
		"echo with rebirth": {[]sparkplug.Metric{sparkplug.Uint(points.MetricEcho, at, 9), yes}, true, points.MetricEcho},
		"by alias":          {[]sparkplug.Metric{byAlias}, false, points.MetricClockEpoch},
		"unknown alias":     {[]sparkplug.Metric{unknown, yes}, true, ""},
		"unknown name":      {[]sparkplug.Metric{sparkplug.Uint("what is this", at, 9)}, false, "what is this"},
		"nothing":           {nil, false, ""},
	} {
		b, err := sparkplug.EncodeCommand(at, c.ms)
		if err != nil {
			t.Fatal(err)
		}
		h, err := m.Hear("spBv1.0/harrow-quay/NCMD/quay-1", b, false, start)
		var others []string
		if h.Command != nil {
			for _, x := range h.Command.Metrics {
				others = append(others, x.Name)
			}
		}
		if err != nil || h.Rebirth != c.rebirth || strings.Join(others, ",") != c.others || h.Leave || h.Begin {
			t.Errorf("%s: %+v (%v), %v", what, h, others, err)
		}
		if _, err := m.Hear("spBv1.0/harrow-quay/NCMD/quay-1", b, true, start); err == nil {
			t.Errorf("%s: a retained command is obeyed", what)
		}
	}
	for _, c := range []struct {
		topic   string
		payload []byte
	}{{"spBv1.0/harrow-quay/NCMD/quay-1", []byte{0xff}}, {"spBv1.0/harrow-quay/NCMD/quay-2", nil}, {"spBv1.0/elsewhere/NCMD/quay-1", nil},
		{"spBv1.0/harrow-quay/DCMD/quay-1/alder", nil}, {"spBv1.0/STATE/gritwatch", state(true, 1)}, {"x", nil}} {
		if h, err := m.Hear(c.topic, c.payload, false, start); err == nil {
			t.Errorf("%s: %+v", c.topic, h)
		}
	}
	m.Over()
	if _, err := m.Hear("spBv1.0/harrow-quay/NCMD/quay-1", nil, false, start); !errors.Is(err, session.ErrOffline) {
		t.Errorf("after the end: %v", err)
	}
}

// The table of STATE messages for a node with a primary host, from the rules: online counts when no older than the last STATE
// that counted, offline when no older than the last online one, the first always.
func TestPrimaryHost(t *testing.T) {
	type say struct {
		online bool
		ms     int64
	}
	const topic = "spBv1.0/STATE/gritwatch"
	for what, c := range map[string]struct {
		before []say // the births, which follow once they may
		then   say
		leave  bool
	}{
		"offline, same time":            {[]say{{true, 100}}, say{false, 100}, true},
		"offline, later":                {[]say{{true, 100}}, say{false, 101}, true},
		"offline, of an older session":  {[]say{{true, 100}}, say{false, 99}, false},
		"online again":                  {[]say{{true, 100}}, say{true, 100}, false},
		"online, older":                 {[]say{{true, 100}}, say{true, 50}, false},
		"online, newer":                 {[]say{{true, 100}}, say{true, 200}, false},
		"offline of the one before":     {[]say{{true, 100}, {true, 200}}, say{false, 150}, false},
		"offline after an older online": {[]say{{true, 100}, {true, 50}}, say{false, 60}, false},
		"first offline, then online":    {[]say{{false, 100}, {true, 100}}, say{false, 100}, true},
	} {
		m := machine(t, session.Options{Primary: "gritwatch"})
		m.Connect(at, 0)
		if m.Ready() {
			t.Errorf("%s: ready before any STATE", what)
		}
		if _, err := m.Births(at, start, nil, nil); !errors.Is(err, session.ErrOffline) {
			t.Errorf("%s: births before any STATE: %v", what, err)
		}
		begins := 0
		for _, s := range c.before {
			h, err := m.Hear(topic, state(s.online, s.ms), true, start)
			if err != nil {
				t.Fatal(err)
			}
			if h.Begin {
				begins++
				again(t, m, "alder")
			}
		}
		if begins != 1 || !m.Ready() {
			t.Errorf("%s: %d times begun, ready %v", what, begins, m.Ready())
		}
		h, err := m.Hear(topic, state(c.then.online, c.then.ms), false, start)
		if err != nil || h.Leave != c.leave || h.Begin || m.Ready() == c.leave {
			t.Errorf("%s: %+v, ready %v, %v", what, h, m.Ready(), err)
		}
	}

	m := machine(t, session.Options{Primary: "gritwatch"})
	m.Connect(at, 0)
	for what, c := range map[string]struct{ topic, payload string }{
		"another host": {"spBv1.0/STATE/other", `{"online":true,"timestamp":1}`},
		"older format": {topic, "ONLINE"},
		"no boolean":   {topic, `{"online":"true","timestamp":1}`},
		"no time":      {topic, `{"online":true}`},
	} {
		if h, err := m.Hear(c.topic, []byte(c.payload), false, start); err == nil || m.Ready() {
			t.Errorf("%s: %+v", what, h)
		}
	}
	// What a host has said is remembered beyond the connection: an old retained word does not begin the next.
	if h, _ := m.Hear(topic, state(true, 100), true, start); !h.Begin {
		t.Error("online does not begin")
	}
	again(t, m)
	if h, _ := m.Hear(topic, state(false, 120), false, start); !h.Leave {
		t.Error("offline does not end")
	}
	m.Death(at)
	m.Connect(at, 1)
	if h, _ := m.Hear(topic, state(true, 100), true, start); h.Begin || m.Ready() {
		t.Error("an online older than the last offline begins")
	}
	if h, _ := m.Hear(topic, state(true, 121), false, start); !h.Begin || !m.Ready() {
		t.Error("a newer online does not begin")
	}
}

func TestSubscriptions(t *testing.T) {
	for want, o := range map[string]session.Options{
		"spBv1.0/harrow-quay/NCMD/quay-1":                                                 {},
		"spBv1.0/harrow-quay/NCMD/quay-1 spBv1.0/STATE/gritwatch":                         {Primary: "gritwatch", Asker: "gritwatch"},
		"spBv1.0/harrow-quay/NCMD/quay-1 spBv1.0/STATE/historian spBv1.0/STATE/gritwatch": {Primary: "historian", Asker: "gritwatch"},
	} {
		if got := strings.Join(machine(t, o).Subscriptions(), " "); got != want {
			t.Errorf("%+v: subscribes %s", o, got)
		}
	}
}

// A host that is online and asks nothing: subscribe again, then connect anew, never twice in a minute, told once.
func TestUnasked(t *testing.T) {
	m := machine(t, session.Options{Asker: "gritwatch"})
	born(t, m, 0)
	now := start
	type done struct {
		after time.Duration
		r     session.Remedy
	}
	var got []done
	told := 0
	wait := func(d time.Duration) {
		for end := now.Add(d); now.Before(end); now = now.Add(time.Second) {
			r, first := m.Due(now)
			if first {
				told++
			}
			if r != session.None {
				got = append(got, done{now.Sub(start), r})
			}
			if r == session.Reconnect {
				m.Death(at)
				m.Connect(at, 1)
				node, ds := births()
				if _, err := m.Births(at, now, node, ds); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	hear := func(s []byte) {
		t.Helper()
		if _, err := m.Hear("spBv1.0/STATE/gritwatch", s, false, now); err != nil {
			t.Fatal(err)
		}
	}
	ask := func() {
		t.Helper()
		b, err := sparkplug.EncodeCommand(at, []sparkplug.Metric{sparkplug.Uint(points.MetricEcho, at, 9)})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Hear("spBv1.0/harrow-quay/NCMD/quay-1", b, false, now); err != nil {
			t.Fatal(err)
		}
	}
	wait(10 * time.Minute) // no host at all
	hear(state(true, 1))
	for range 100 { // one that asks
		wait(5 * time.Second)
		ask()
	}
	hear(state(false, 1))
	wait(10 * time.Minute) // one that is gone
	if len(got) != 0 {
		t.Fatalf("done without need: %v", got)
	}
	hear(state(true, 2))
	began := now.Sub(start)
	wait(29 * time.Second)
	if len(got) != 0 {
		t.Fatalf("done too early: %v", got)
	}
	wait(30 * time.Minute)
	min := time.Minute
	want := []done{{30 * time.Second, session.Subscribe}, {90 * time.Second, session.Reconnect}, {210 * time.Second, session.Subscribe},
		{330 * time.Second, session.Reconnect}, {570 * time.Second, session.Subscribe}, {810 * time.Second, session.Reconnect},
		{810*time.Second + 8*min, session.Subscribe}, {810*time.Second + 16*min, session.Reconnect}}
	if len(got) != len(want) || told != 1 {
		t.Fatalf("told %d times, did %v, want %v", told, got, want)
	}
	for i, g := range got {
		if g.r != want[i].r || g.after-began != want[i].after {
			t.Errorf("did %d after %v, want %d after %v", g.r, g.after-began, want[i].r, want[i].after)
		}
	}
	// A command heard ends it, and the next silence is told anew.
	got, told = nil, 0
	ask()
	began = now.Sub(start)
	wait(95 * time.Second)
	if len(got) != 2 || got[0].after-began != 30*time.Second || got[1].after-began != 90*time.Second || told != 1 {
		t.Errorf("after a question: told %d times, did %v", told, got)
	}
}

func FuzzHear(f *testing.F) {
	b, err := sparkplug.EncodeCommand(at, []sparkplug.Metric{sparkplug.Bool(points.MetricRebirth, at, true)})
	if err != nil {
		f.Fatal(err)
	}
	f.Add("spBv1.0/harrow-quay/NCMD/quay-1", b)
	f.Add("spBv1.0/STATE/gritwatch", state(true, 1))
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		m := machine(t, session.Options{Primary: "gritwatch", Asker: "gritwatch"})
		m.Connect(at, 0)
		h, err := m.Hear(topic, payload, false, start)
		if err != nil && h != (session.Heard{}) {
			t.Errorf("%+v beside %v", h, err)
		}
		if h.Begin != m.Ready() || h.Leave {
			t.Errorf("%+v, ready %v", h, m.Ready())
		}
	})
}

// Historical data go by name, live data by alias; both under the one count.
func TestHistoricalGoByName(t *testing.T) {
	m := machine(t, session.Options{})
	born(t, m, 3, "alder")
	for i, historical := range []bool{true, false, true} {
		v := vessel(2)
		v.Historical = historical
		out, err := m.Data(at, "alder", []sparkplug.Metric{v})
		if err != nil {
			t.Fatal(err)
		}
		got, err := sparkplug.Decode(out.Payload)
		if err != nil {
			t.Fatal(err)
		}
		x := got.Metrics[0]
		if x.Aliased == historical || (x.Name == points.Vessel.Metric()) != historical || x.Historical != historical || got.Seq != uint8(2+i) {
			t.Errorf("historical %v: %+v, seq %d", historical, x, got.Seq)
		}
	}
}
