package replay_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/server/internal/replay"
)

// TestPeriod: the median of the first 100 intervals between readings of the vessel, else between rows.
func TestPeriod(t *testing.T) {
	at := func(s float64) string { return fmt.Sprintf("%.3f", float64(start)/1e6+s) }
	var mixed, later, slow strings.Builder
	for i := range 300 {
		v := ""
		if i%10 == 0 {
			v = "0"
		}
		fmt.Fprintf(&mixed, "%s,%s,100\n", at(float64(i)/10), v)
		fmt.Fprintf(&slow, "%s,0,100\n", at(float64(i)*5))
		if s := float64(i) / 10; i > 200 {
			fmt.Fprintf(&later, "%s,0,100\n", at(float64(i)*3))
		} else {
			fmt.Fprintf(&later, "%s,0,100\n", at(s))
		}
	}
	const header = "time,vessel,supply\n"
	for name, c := range map[string]struct {
		log  string
		set  time.Duration
		want time.Duration
		slow bool
	}{
		"vessel seldom":    {header + mixed.String(), 0, time.Second, false},
		"stated":           {header + mixed.String(), 100 * time.Millisecond, 100 * time.Millisecond, false},
		"slow":             {header + slow.String(), 0, 5 * time.Second, true},
		"slow only later":  {header + later.String(), 0, 100 * time.Millisecond, false},
		"one row":          {header + at(0) + ",0,1\n", 0, 0, false},
		"no row":           {header, 0, 0, false},
		"three, one a gap": {header + at(0) + ",0,1\n" + at(0.5) + ",0,1\n" + at(9) + ",0,1\n", 0, 8500 * time.Millisecond, true},
		"no vessel":        {"time,supply\n" + at(0) + ",1\n" + at(0.25) + ",\n", 0, 250 * time.Millisecond, false},
		"vessel empty":     {header + at(0) + ",,1\n" + at(0.25) + ",,1\n", 0, 250 * time.Millisecond, false},
	} {
		t.Run(name, func(t *testing.T) {
			lines, s := play(t, alder(t), c.log, replay.Options{Period: c.set})
			if s.Period != c.want || s.TooSlow() != c.slow {
				t.Errorf("period %v, too slow %v", s.Period, s.TooSlow())
			}
			for _, l := range lines {
				if l.has(vent.LogTooSlow) != c.slow && !l.has(vent.VesselOld) {
					t.Errorf("%s: %v", l.T, l.Answer.Because)
				}
			}
		})
	}
}

// TestEvery: one line for each cell of the grid that has a row, its first.
func TestEvery(t *testing.T) {
	log := crew(400*time.Millisecond, 8)
	for every, want := range map[time.Duration]string{
		time.Second:            "0.0 1.2 2.0 3.2 4.0 5.2 6.0 7.2",
		0:                      "0.0 1.2 2.0 3.2 4.0 5.2 6.0 7.2",
		3 * time.Second:        "0.0 1.2 4.0 7.2", // 1790000000 s is 1 s before a multiple of 3 s
		100 * time.Millisecond: "0.0 0.4 0.8 1.2 1.6 2.0 2.4 2.8 3.2 3.6 4.0 4.4 4.8 5.2 5.6 6.0 6.4 6.8 7.2 7.6",
	} {
		lines, _ := play(t, pot(t, strings.Replace(alderFile, "separator, ", "", 1)), log, replay.Options{Every: every})
		var got []string
		for _, l := range lines {
			got = append(got, fmt.Sprintf("%.1f", l.at.Sub(start.Time()).Seconds()))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("every %v: %v, want %v", every, got, want)
		}
	}
}

// TestRanges: a reading that passes the declared range by more than NE 43 allows does not count. 1.25 % under and 3.125 %
// over a span of 200 psi are 2.5 and 6.25 psi. A sealed gauge at 1500 m (84.56 kPa, ISO 2533) reads 16.77 kPa, 2.432 psi,
// low, so its limits lie as much higher as gauge pressures. An absolute one reads 12.264 psi with the vessel open.
func TestRanges(t *testing.T) {
	for name, c := range map[string]struct {
		gauge     string
		good, bad []float64 // psi
	}{
		"gauge":    {"{range: 0..200 psi}", []float64{-2.4, 206.2}, []float64{-2.6, 206.3}},
		"sealed":   {"{range: 0..200 psi, kind: sealed}", []float64{0, 208.6}, []float64{-0.1, 208.8}},
		"absolute": {"{range: 0..200 psi, kind: absolute}", []float64{-14.7, 193.9}, []float64{-14.8, 194.1}},
		"none":     {"{zero_error: 1 psi}", []float64{-20, 1000}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			p := pot(t, strings.Replace(alderFile, "vessel, hose", "{vessel: "+c.gauge+"}, hose", 1)+"atmosphere: {altitude: 1500 m}\n")
			verify := func(v float64, good bool) {
				lines, _ := play(t, p, fmt.Sprintf("time,vessel\n%.1f,%v\n", float64(start)/1e6, v), replay.Options{})
				if _, shown := lines[0].PressurePa["vessel"]; len(lines) != 1 || shown != good || lines[0].has(vent.VesselBad) == good {
					t.Errorf("%v psi: %+v, want good %v", v, lines, good)
				}
			}
			for _, v := range c.good {
				verify(v, true)
			}
			for _, v := range c.bad {
				verify(v, false)
			}
		})
	}
}
