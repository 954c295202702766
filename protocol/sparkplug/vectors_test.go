package sparkplug_test

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/payload"
)

const vectors = "../testdata/sparkplug"

// at is 2025-10-09T08:53:20.123Z.
const at si.Instant = 1_760_000_000_123_000

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

// ours are the messages of ours.hex.
func ours() map[string][]byte {
	sample := func(p points.Point, q points.Quality, t si.Instant, v si.GaugePressure) sparkplug.Metric {
		return sparkplug.OfSample(points.Sample{Point: p, Quality: q, At: t, Value: v}, false)
	}
	alias := func(n uint64, m sparkplug.Metric) sparkplug.Metric { m.Alias, m.Aliased = n, true; return m }
	historical := func(m sparkplug.Metric) sparkplug.Metric { m.Historical = true; return m }
	return map[string][]byte{
		"nbirth": must(sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{
			sparkplug.BdSeq(at, 0),
			sparkplug.Bool(points.MetricRebirth, at, false),
			sparkplug.Uint(points.MetricClockEpoch, at, 1_760_000_000_123_456),
			sparkplug.Str(points.MetricSession, at, "00ff"),
		})),
		"dbirth": must(sparkplug.EncodeBirth(at+1999, 1, []sparkplug.Metric{
			sample(points.Supply, points.NoReply, 0, 0),
			sample(points.Vessel, points.Good, at, 689475.75),
			sample(points.Hose, points.OutOfRange, at, -3.5),
			sparkplug.OfSample(points.Sample{Point: points.Control, Quality: points.Good, At: at, Pressed: true}, true),
		})),
		"ddata": must(sparkplug.EncodeData(at+500_000, 255, []sparkplug.Metric{
			sample(points.Vessel, points.Good, at+100_999, 1.25),
			sample(points.Vessel, points.Good, at, 0),
			sample(points.Hose, points.NoReply, at+50_000, 0),
			sparkplug.Str(points.MetricGuardState, at+100_000, "not-proven"),
		})),
		"ddata-historical": must(sparkplug.EncodeData(at+5_000_000, 2, []sparkplug.Metric{
			historical(sample(points.Vessel, points.Good, at, 7000)),
		})),
		"dbirth-alias": must(sparkplug.EncodeBirth(at, 2, []sparkplug.Metric{
			alias(0, sample(points.Vessel, points.Good, at, 1000)),
			alias(300_000, sparkplug.Str(points.MetricGuardState, at, "not-proven")),
		})),
		"ddata-alias": must(sparkplug.EncodeData(at+500_000, 3, []sparkplug.Metric{
			alias(0, sample(points.Vessel, points.Good, at+400_000, 2000.5)),
			alias(300_000, sparkplug.Str(points.MetricGuardState, at+500_000, "pressurised")),
		})),
		"ncmd-alias": must(sparkplug.EncodeCommand(at, []sparkplug.Metric{alias(7, sparkplug.Uint(points.MetricEcho, at, 42))})),
		"ddeath":     sparkplug.EncodeDeviceDeath(at, 9),
		"ndeath":     sparkplug.EncodeNodeDeath(at, 255),
		"ncmd":       must(sparkplug.EncodeCommand(at, []sparkplug.Metric{sparkplug.Uint(points.MetricEcho, at, 42)})),
	}
}

func TestOurBytesAreFrozen(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(vectors, "ours.hex"))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for line := range strings.Lines(string(text)) {
		name, h, _ := strings.Cut(strings.TrimSpace(line), " ")
		want[name] = h
	}
	got := ours()
	if len(want) != len(got) {
		t.Errorf("%d vectors in ours.hex, %d here", len(want), len(got))
	}
	for name, b := range got {
		if want[name] != hex.EncodeToString(b) {
			t.Errorf("line of ours.hex should be:\n%s %x", name, b)
		}
	}
}

// ours.json is what npm's sparkplug-payload read from ours.hex.
func TestPeerReadsOurBytes(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(vectors, "ours.json"))
	if err != nil {
		t.Fatal(err)
	}
	type peerMetric struct {
		Name         string
		Alias        *uint64
		Type         string
		Value        any
		Timestamp    int64
		IsHistorical bool
		Properties   map[string]struct{ Value any }
	}
	var read map[string]struct {
		Timestamp int64
		Seq       *int64
		Metrics   []peerMetric
	}
	if err := json.Unmarshal(text, &read); err != nil {
		t.Fatal(err)
	}
	ms := int64(at / 1000)
	want := map[string]peerMetric{
		"nbirth/bdSeq":                     {Type: "Int64", Value: 0.0, Timestamp: ms},
		"nbirth/Node Control/Rebirth":      {Type: "Boolean", Value: false, Timestamp: ms},
		"nbirth/Clock/Epoch":               {Type: "UInt64", Value: 1_760_000_000_123_456.0, Timestamp: ms},
		"nbirth/Session/Id":                {Type: "String", Value: "00ff", Timestamp: ms},
		"dbirth/Pressure/Supply":           {Type: "Float", Value: nil, Timestamp: ms + 1},
		"dbirth/Pressure/Vessel":           {Type: "Float", Value: 689475.75, Timestamp: ms},
		"dbirth/Pressure/Hose":             {Type: "Float", Value: -3.5, Timestamp: ms},
		"dbirth/Control/Pressed":           {Type: "Boolean", Value: true, Timestamp: ms},
		"ddata-historical/Pressure/Vessel": {Timestamp: ms, IsHistorical: true},
		"ndeath/bdSeq":                     {Type: "Int64", Value: 255.0, Timestamp: ms},
		"ncmd/Node Control/Echo":           {Type: "UInt64", Value: 42.0, Timestamp: ms},
	}
	// Births carry both; data and commands the number alone. What the peer reads of data without a type is no value.
	for message, want := range map[string][]string{"dbirth-alias": {"Pressure/Vessel 0 1000", "Guard/State 300000 not-proven"},
		"ddata-alias": {" 0 <nil>", " 300000 <nil>"}, "ncmd-alias": {" 7 42"}} {
		var got []string
		for _, m := range read[message].Metrics {
			if m.Alias == nil {
				t.Errorf("%s: the peer read no alias of %q", message, m.Name)
				continue
			}
			got = append(got, fmt.Sprintf("%s %d %v", m.Name, *m.Alias, m.Value))
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: the peer read %q, want %q", message, got, want)
		}
	}
	for message, m := range read {
		for _, got := range m.Metrics {
			key := message + "/" + got.Name
			w, ok := want[key]
			if !ok {
				continue
			}
			if got.Type != w.Type && w.Type != "" || w.Type != "" && got.Value != w.Value ||
				got.Timestamp != w.Timestamp || got.IsHistorical != w.IsHistorical {
				t.Errorf("%s: the peer read %+v, want %+v", key, got, w)
			}
			delete(want, key)
		}
	}
	if len(want) != 0 {
		t.Errorf("not read by the peer: %v", want)
	}
	quality := map[string]any{"Pressure/Supply": 500.0, "Pressure/Hose": 0.0}
	for _, m := range read["dbirth"].Metrics {
		if got := m.Properties["Quality"].Value; got != quality[m.Name] {
			t.Errorf("%s: the peer read quality %v, want %v", m.Name, got, quality[m.Name])
		}
		if strings.HasPrefix(m.Name, "Pressure/") && m.Properties["engUnit"].Value != "Pa" {
			t.Errorf("%s: the peer read unit %v", m.Name, m.Properties["engUnit"].Value)
		}
	}
	for message, want := range map[string]int64{"nbirth": 0, "dbirth": 1, "ddata": 255, "ddeath": 9} {
		if got := read[message].Seq; got == nil || *got != want {
			t.Errorf("%s: the peer read seq %v, want %d", message, got, want)
		}
	}
}

// peer.json holds what npm's sparkplug-payload wrote; make.mjs beside it has the values.
func TestReadsPeerBytes(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(vectors, "peer.json"))
	if err != nil {
		t.Fatal(err)
	}
	var peer map[string]string
	if err := json.Unmarshal(text, &peer); err != nil {
		t.Fatal(err)
	}
	read := map[string]sparkplug.Message{}
	for name, h := range peer {
		b, err := hex.DecodeString(h)
		if err != nil {
			t.Fatal(err)
		}
		if read[name], err = sparkplug.Decode(b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	birth := read["nbirth"]
	if n, ok := birth.BdSeq(); n != 7 || !ok || !birth.HasSeq || birth.Seq != 0 || birth.At != at {
		t.Errorf("nbirth: %+v", birth)
	}
	if v, ok := birth.Find(points.MetricClockEpoch).Value.Uint(); !ok || v != 1_760_000_000_123_456 {
		t.Errorf("epoch %d", v)
	}
	if v, ok := birth.Find(points.MetricSession).Value.Text(); !ok || v != "00ff" {
		t.Errorf("session %q", v)
	}
	if v, ok := birth.Find(points.MetricRebirth).Value.Bool(); !ok || v {
		t.Errorf("rebirth %v %v", v, ok)
	}
	var got []points.Sample
	for _, m := range read["dbirth"].Metrics {
		s, ok := m.Sample()
		if !ok {
			t.Errorf("%s is no reading", m.Name)
		}
		got = append(got, s)
	}
	want := []points.Sample{
		{Point: points.Vessel, Quality: points.Good, At: at, Value: 689475.75},
		{Point: points.Hose, Quality: points.OutOfRange, At: at, Value: -3.5},
		{Point: points.Supply, Quality: points.NoReply, At: at + 1000},
		{Point: points.Control, Quality: points.Good, At: at, Pressed: true},
	}
	if !slices.Equal(got, want) {
		t.Errorf("dbirth:\n%+v, want\n%+v", got, want)
	}
	if u := read["dbirth"].Metrics[0].Unit; u != "Pa" {
		t.Errorf("unit %q", u)
	}
	late := read["ddata-historical"]
	if late.Seq != 255 || len(late.Metrics) != 2 || !late.Metrics[1].Historical || late.Metrics[1].At != at+100_000 {
		t.Errorf("historical: %+v", late)
	}
	if n, ok := read["ndeath"].BdSeq(); n != 255 || !ok || read["ndeath"].HasSeq {
		t.Errorf("ndeath: %+v", read["ndeath"])
	}
	if v, ok := read["ncmd"].Find(points.MetricEcho).Value.Uint(); v != 42 || !ok || read["ncmd"].HasSeq {
		t.Errorf("ncmd: %+v", read["ncmd"])
	}
	var names sparkplug.Aliases
	if err := names.Born(read["dbirth-alias"].Metrics); err != nil {
		t.Fatal(err)
	}
	live := read["ddata-alias"]
	for _, m := range live.Metrics {
		if m.Name != "" || !m.Aliased {
			t.Errorf("data by alias read as %+v", m)
		}
	}
	if err := names.Resolve(live.Metrics); err != nil {
		t.Fatal(err)
	}
	if s, ok := live.Find("Pressure/Vessel").Sample(); !ok || s.Value != 2000.5 || s.At != at+400_000 {
		t.Errorf("by alias %+v", live)
	}
	if v, _ := live.Find("Guard/State").Value.Text(); v != "pressurised" {
		t.Errorf("by alias %+v", live)
	}
	skipped := read["skipped"]
	if !skipped.Metrics[0].Value.IsNone() || !skipped.Metrics[1].Value.IsNone() {
		t.Errorf("table or bytes were read: %+v", skipped)
	}
	if v, ok := skipped.Find("double").Value.Float(); v != 0.1 || !ok {
		t.Errorf("double %v", v)
	}
	if v, ok := skipped.Find("int").Value.Uint(); v != 12 || !ok {
		t.Errorf("int %v", v)
	}
}

// Everything our decoder accepts, the generated code reads alike: two readers of one format.
func FuzzDecode(f *testing.F) {
	for _, b := range ours() {
		f.Add(b)
	}
	text, err := os.ReadFile(filepath.Join(vectors, "peer.json"))
	if err != nil {
		f.Fatal(err)
	}
	var peer map[string]string
	if err := json.Unmarshal(text, &peer); err != nil {
		f.Fatal(err)
	}
	for _, h := range peer {
		b, _ := hex.DecodeString(h)
		f.Add(b)
	}
	f.Add(bytes.Repeat([]byte{0x12, 0}, 500))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := sparkplug.Decode(b)
		if err != nil {
			if len(m.Metrics) != 0 {
				t.Error("metrics beside an error")
			}
			return
		}
		var p payload.Payload
		if proto.Unmarshal(b, &p) != nil {
			return // nested messages that we skip may be broken
		}
		if len(p.Metrics) != len(m.Metrics) || uint64(m.At)/1000 != p.GetTimestamp() || uint64(m.Seq) != p.GetSeq() {
			t.Fatalf("read %+v, generated code %v", m, &p)
		}
		for i, w := range p.Metrics {
			g := m.Metrics[i]
			if g.Name != w.GetName() || uint64(g.At)/1000 != w.GetTimestamp() || g.Null != w.GetIsNull() ||
				g.Historical != w.GetIsHistorical() || g.Aliased != (w.Alias != nil) || g.Alias != w.GetAlias() {
				t.Fatalf("metric %d: read %+v, generated code %v", i, g, w)
			}
			if v, ok := g.Value.Uint(); ok && v != w.GetLongValue()+uint64(w.GetIntValue()) {
				t.Fatalf("metric %d: read %d, generated code %v", i, v, w)
			}
			if s, ok := g.Sample(); ok && s.Quality == points.Good && (g.Null || g.Value.IsNone()) {
				t.Fatalf("metric %d: a good reading of nothing: %+v", i, g)
			}
		}
	})
}
