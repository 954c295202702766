package points_test

import (
	"fmt"
	"testing"

	"gritwatch/protocol/points"
)

func TestLineNames(t *testing.T) {
	want := []struct{ metric, failure string }{{"Line/7/Port", ""}, {"Line/7/Open", ""}, {"Line/7/Requests", ""}, {"Line/7/Replies", ""},
		{"Line/7/Exceptions", "exceptions"}, {"Line/7/No Reply", "no_reply"}, {"Line/7/Late", "late"}, {"Line/7/Cut", "cut"},
		{"Line/7/Damaged", "damaged"}, {"Line/7/Not Understood", "not_understood"}, {"Line/7/Not Used", "not_used"},
		{"Line/7/Extra Bytes", "extra_bytes"}, {"Line/7/Never Silent", "never_silent"}, {"Line/7/Left In Peace", "left_in_peace"},
		{"Line/7/Port Failed", "port_failed"}, {"Line/7/Other", "other"}, {"Line/7/Echoes", ""}, {"Line/7/Stray Bytes", ""},
		{"Line/7/Port Lost", ""}, {"Line/7/Periods Left Out", ""}, {"Line/7/Silent Units", ""}}
	if len(want) != points.LineItems {
		t.Fatalf("%d items", points.LineItems)
	}
	for i, w := range want {
		item := points.LineItem(i)
		if got := item.Metric(7); got != w.metric || got != "Line/7/"+item.String() {
			t.Errorf("item %d is %s", i, got)
		}
		if line, got, ok := points.ParseLine(w.metric); line != 7 || got != item || !ok {
			t.Errorf("ParseLine(%q) = %d, %d, %v", w.metric, line, got, ok)
		}
		if got, ok := item.Failure(); got != w.failure || ok != (w.failure != "") {
			t.Errorf("%s: failure %q, %v", item, got, ok)
		}
		if grows := item != points.LinePort && item != points.LineOpen && item != points.LineSilentUnits; item.Grows() != grows {
			t.Errorf("%s grows: %v", item, !grows)
		}
	}
	for line := 1; line <= points.MaxLines; line++ {
		if got, _, ok := points.ParseLine(points.LineOpen.Metric(line)); got != line || !ok {
			t.Errorf("line %d is %d, %v", line, got, ok)
		}
	}
	for _, bad := range []string{"", "Line/", "Line/1", "Line/1/", "Line//Port", "Line/0/Port", "Line/65/Port", "Line/01/Port", "Line/+1/Port", "Line/-1/Port",
		"Line/1/port", "Line/1/Port/", "Line/1/Unit/9", " Line/1/Port", "line/1/Port", "Line/99999999999999999999/Port", "Line/1 /Port", points.MetricSession} {
		if line, item, ok := points.ParseLine(bad); ok {
			t.Errorf("ParseLine(%q) = %d, %d", bad, line, item)
		}
	}
}

func ExampleLineItem_Metric() {
	fmt.Println(points.LineNoReply.Metric(2))
	// Output: Line/2/No Reply
}
