package pot_test

import (
	"testing"
	"time"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/gauges"
	"gritwatch/server/internal/pot"
)

// TestSensorFault: the vessel's gauge is off by half a psi with the vessel vented. Judge and guard take it, as it lies
// within R1's limit; the fault, and nothing else, takes the word. It is told once a change, and the word comes back with
// the gauge's zero.
func TestSensorFault(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var found []alarm.Found
		f := start(t, pot.Options{Events: pot.Events{Alarm: func(x []alarm.Found) {
			for _, x := range x {
				if x.Kind == alarm.SensorFault {
					found = append(found, x)
				}
			}
		}}})
		f.birth()
		f.cycle()
		f.run(10 * time.Second)
		f.want("vented")
		f.vesselOff = 3450
		f.run(5 * time.Second)
		f.want("vented")
		f.run(30 * time.Second)
		if p := f.want("not-proven", "sensor-fault"); len(p.Answer.Because) != 1 {
			t.Errorf("because %v", p.Answer.Because)
		}
		f.vesselOff = 0
		f.run(40 * time.Second)
		f.want("vented")
		if len(found) != 2 || !found[0].On || found[0].Fault != gauges.ZeroDrift.String() || found[0].Point != "vessel" || found[0].Priority != alarm.Medium ||
			found[0].Evidence.Size == nil || found[1].On {
			t.Errorf("found %+v", found)
		}
	})
}
