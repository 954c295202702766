package line_test

import (
	"strings"
	"testing"
	"time"

	"gritwatch/sim-sensor/internal/line"
)

// Character lengths by the serial line guide: start, 8 data, parity, stop.
func TestParseMode(t *testing.T) {
	for _, tt := range []struct {
		text string
		bits int
	}{{"57600 8E1", 11}, {"115200 8N1", 10}, {"19200 8O1", 11}, {"9600 8N2", 11}} {
		m, err := line.ParseMode(tt.text)
		if err != nil || m.Bits() != tt.bits || m.String() != tt.text {
			t.Errorf("%q: %v, %d bits, %v", tt.text, m, m.Bits(), err)
		}
	}
	for _, text := range []string{"", "57600", "57600 7E1", "57601 8E1", "57600 8X1", "57600 8E3", "8E1 57600", "57600 8E1 x", "57600 8e1"} {
		if _, err := line.ParseMode(text); err == nil || !strings.Contains(err.Error(), "57600 8E1") {
			t.Errorf("%q: error %v does not say what to write", text, err)
		}
	}
}

func TestUnitRefused(t *testing.T) {
	c := new(line.Cell)
	for name, f := range map[string]func() error{
		"unit 0":   func() error { _, err := line.NewUnit(0, nil); return err },
		"unit 248": func() error { _, err := line.NewUnit(248, nil); return err },
		"overlap": func() error {
			_, err := line.NewUnit(1, []line.Channel{{8, line.Narrow, c}, {7, line.Wide | line.LowFirst, c}})
			return err
		},
		"past last": func() error { _, err := line.NewUnit(1, []line.Channel{{65535, line.Wide, c}}); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := line.NewUnit(1, []line.Channel{{65535, line.Narrow, c}, {65533, line.Wide, c}}); err != nil {
		t.Error(err)
	}
}

func TestSwitchesRefused(t *testing.T) {
	c := new(line.Cell)
	if _, err := line.NewSwitches(1, []line.Channel{{5, line.Narrow, c}, {5, line.Narrow, c}}); err == nil {
		t.Error("two switches on one address: no error")
	}
	if _, err := line.NewSwitches(1, []line.Channel{{5, line.Wide, c}, {6, line.Narrow, c}, {65535, line.Narrow, c}}); err != nil { // a switch has no width
		t.Error(err)
	}
}

// wait is long enough for anything that must not come.
const wait = 100 * time.Millisecond
