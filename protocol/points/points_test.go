package points_test

import (
	"strings"
	"testing"

	"gritwatch/protocol/points"
)

func TestNames(t *testing.T) {
	want := []struct{ name, metric string }{{"supply", "Pressure/Supply"}, {"separator", "Pressure/Separator"}, {"vessel", "Pressure/Vessel"},
		{"hose", "Pressure/Hose"}, {"nozzle", "Pressure/Nozzle"}, {"control", "Pressure/Control"}}
	all := points.All()
	if len(all) != len(want) {
		t.Fatalf("%d points", len(all))
	}
	for i, p := range all {
		if p.String() != want[i].name || p.Metric() != want[i].metric {
			t.Errorf("point %d is %s with metric %s", i, p, p.Metric())
		}
		if got, err := points.Parse(want[i].name); err != nil || got != p {
			t.Errorf("Parse(%q) = %v, %v", want[i].name, got, err)
		}
		if got, ok := points.FromMetric(want[i].metric); !ok || got != p {
			t.Errorf("FromMetric(%q) = %v, %v", want[i].metric, got, ok)
		}
	}
	for _, bad := range []string{"", "Vessel", "vessel ", "pot", "Pressure/Vessel"} {
		if p, err := points.Parse(bad); err == nil || !strings.Contains(err.Error(), "supply, separator, vessel, hose, nozzle, control") {
			t.Errorf("Parse(%q) = %v, %v", bad, p, err)
		}
	}
	for _, bad := range []string{"", "vessel", "Pressure/vessel", "Pressure/", points.MetricControlPressed, points.MetricGuardState} {
		if p, ok := points.FromMetric(bad); ok {
			t.Errorf("FromMetric(%q) = %v", bad, p)
		}
	}
	if got := points.Point(points.Count).String(); got != "point(6)" {
		t.Errorf("a point that is none is %q", got)
	}
}

func TestSet(t *testing.T) {
	s := points.SetOf(points.Vessel, points.Control)
	for _, p := range points.All() {
		if got, want := s.Has(p), p == points.Vessel || p == points.Control; got != want {
			t.Errorf("Has(%s) = %v", p, got)
		}
	}
	if points.SetOf() != 0 {
		t.Error("the empty set is not empty")
	}
	if all := points.All(); points.SetOf(all[:]...) != 1<<points.Count-1 {
		t.Error("the set of all lacks some")
	}
}

func TestSegments(t *testing.T) {
	for s, want := range []struct {
		name     string
		from, to points.Point
	}{{"separator", points.Supply, points.Separator}, {"valve", points.Separator, points.Vessel},
		{"mixing", points.Vessel, points.Hose}, {"hose", points.Hose, points.Nozzle}} {
		seg := points.Segment(s)
		if from, to := seg.Ends(); seg.String() != want.name || from != want.from || to != want.to {
			t.Errorf("segment %d is %s from %s to %s", s, seg, from, to)
		}
	}
	if got := points.Segment(points.SegmentCount).String(); got != "segment(4)" {
		t.Errorf("a segment that is none is %q", got)
	}
}

// Property values 192, 0 and 500 are those of Sparkplug 3.0, section 6.4.7.
func TestQuality(t *testing.T) {
	for _, tt := range []struct {
		q    points.Quality
		code int32
		name string
	}{{points.Good, 192, "good"}, {points.OutOfRange, 0, "out-of-range"}, {points.NoReply, 500, "no-reply"}} {
		if tt.q.Code() != tt.code || tt.q.String() != tt.name || points.QualityOf(tt.code) != tt.q {
			t.Errorf("%v: code %d, name %s, back %v", tt, tt.q.Code(), tt.q, points.QualityOf(tt.code))
		}
	}
	for _, code := range []int32{-1, 1, 191, 193, 499, 1 << 30} {
		if points.QualityOf(code) != points.OutOfRange {
			t.Errorf("code %d is taken for %v", code, points.QualityOf(code))
		}
	}
	var s points.Sample
	if s.Quality != points.NoReply || points.Quality(77).Code() != 500 {
		t.Error("a forgotten or broken quality is not the worst")
	}
}
