package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
)

// falseRate is the stated rate of false findings, of vents that are exactly as slow as the slowest healthy one.
const falseRate = 0.01

// TestFalseAlarmRate measures the test's own error where it is worst: the vent falls exactly as the envelope allows at
// the slowest, and the gauge has the noise that the watch reckons with. Any faster vent is found slow less often: one that
// is a tenth faster, never in as many.
func TestFalseAlarmRate(t *testing.T) {
	for _, c := range []struct {
		name   string
		faster float64
		most   float64
	}{{"exactly the slowest", 1, falseRate}, {"a tenth faster", 1.1, 0}} {
		vents := some(1500)
		found := 0
		for seed := range vents {
			p := watched(14 * time.Second)
			r := newVentRig(p, seed)
			r.noise, r.n, r.nozzle, r.lag = 0.002*200*6894.757, 1, 0, 0.1
			r.run(time.Second, nil)
			// The slowest healthy rate, as a finding of a shut exhaust gives it.
			shut := newVentRig(p, seed)
			shut.noise, shut.open, shut.nozzle = 0, 0, 0
			shut.run(time.Second, nil)
			shut.release()
			shut.run(5*time.Second, nil)
			least := shut.w.Find(vent.VentSlow).Least
			if least <= 0 {
				t.Fatal("a shut exhaust is not found")
			}
			r.exhaust = c.faster * least
			r.release()
			on := false
			r.run(10*time.Second, func() { on = on || r.w.Find(vent.VentSlow).On })
			if on {
				found++
			}
		}
		t.Logf("%s: %d of %d vents found slow", c.name, found, vents)
		if float64(found) > c.most*float64(vents) {
			t.Errorf("%s: %d of %d vents found slow, stated %.3f", c.name, found, vents, c.most)
		}
	}
}
