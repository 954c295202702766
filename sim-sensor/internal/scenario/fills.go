package scenario

import (
	"fmt"
	"math"
	"strings"
	"time"

	"gritwatch/protocol/si"
)

// Families for what is said of a pot's contents and of its wear: all six points, ten rows a second, no pot that holds its
// pressure; a log with fewer points or rows is the same one with some left out. Crews blast from full to empty, let go when
// no abrasive comes any more, and fill up. SteadyFills is healthy, at one setting of the metering valve. In ChangedFills
// the operator changes the setting four times an hour, and the abrasive is blocked or bridges now and then. LateShut is
// healthy for an hour and a half, so that the level can be known; from then on the exhaust is shut, or opens to a tenth, for
// a minute, and at other times to half. SlowWear is for many hours: the bore grows, separator and exhaust clog and are
// cleaned, the hose is bent, the compressor loads and unloads, others draw air. In a part of its pots air alone is blasted
// every hour or so; the others never run empty, and their nozzle never has air alone.
const (
	SteadyFills  = "steady-fills"
	ChangedFills = "changed-fills"
	LateShut     = "late-shut-exhausts"
	SlowWear     = "slow-wear"
)

var tenHertz = []int{10}

// fills are how the pots of a family are filled and emptied.
type fills struct {
	from, to     time.Duration // of blasting, in which a full pot is emptied
	largest      bool          // of the nozzles that the trade puts on such pots
	commissioned bool          // all of them
	cycles       bool          // all compressors load and unload
}

var (
	fillsSlow  = &fills{from: 13 * time.Minute, to: 28 * time.Minute}
	fillsQuick = &fills{from: 8 * time.Minute, to: 16 * time.Minute, largest: true, commissioned: true}
	fillsWorn  = &fills{from: 10 * time.Minute, to: 30 * time.Minute, cycles: true}
)

// usualFlow is the abrasive through a 3/8 in nozzle at 100 psi by the trade's consumption table, kg/s.
const usualFlow = 1152 * si.Pound / 3600

// metering is a setting that empties a full pot in about a time drawn. The texts are as in the tables of sizes.
func (f *fills) metering(d *draw, volume, nozzle, abrasive string) float64 {
	density, _, _ := strings.Cut(abrasive, ",")
	v, err1 := si.ParseVolume(volume + " ft3")
	bore, err2 := si.ParseLength(nozzle + " in")
	bulk, err3 := si.ParseDensity(density)
	wish := d.around(f.from.Seconds(), f.to.Seconds())
	if err1 != nil || err2 != nil || err3 != nil {
		return 1 // the tables are right
	}
	usual := 0.9 * float64(v) * float64(bulk) / (usualFlow * math.Pow(float64(bore)/(0.375*si.Inch), 2)) // s
	return min(1.6, max(0.6, usual/wish))
}

// blast writes the habits of a crew that blasts for times around those given, in seconds, and refills under a level in per
// cent.
func (d *draw) blast(press, pressTo, below float64) {
	pour := d.around(25, 200)
	d.say("      cycle: {press: %.0f s, rest: %.0f s, vary: %.0f %%, start: %.0f s, notices: %.0f s, refill_below: %.1f %%, refill_to: 100 %%, refill_time: %.0f s, refill_pause: %.0f s, break: {every: %.0f min, for: %.0f min}}",
		d.around(press, pressTo), d.around(12, 50), d.between(15, 60), d.between(2, 40), d.around(4, 20), below, pour, pour+d.between(20, 60), d.between(100, 180), d.between(6, 20))
}

// event writes an event; minutes that are 0 are left out.
func (d *draw) event(at, lasts, every, over float64, what string, args ...any) {
	text := fmt.Sprintf("        - {at: %.2f min", at)
	for _, x := range []struct {
		key     string
		minutes float64
	}{{"for", lasts}, {"every", every}, {"over", over}} {
		if x.minutes > 0 {
			text += fmt.Sprintf(", %s: %.2f min", x.key, x.minutes)
		}
	}
	d.say("%s, %s}", text, fmt.Sprintf(what, args...))
}

func (d *draw) steadyFills(*potDrawn) { d.blast(25, 240, 1) }

// filled is for how long a script of changes lasts, in minutes; what holds then holds on.
const filled = 12 * 60.0

func (d *draw) changedFills(*potDrawn) {
	d.blast(25, 240, 1)
	d.say("      events:")
	setting := 0.0
	for at := d.between(8, 20); at < filled; {
		lasts := d.between(10, 20)
		was := setting
		for math.Abs(setting-was) < 10 {
			setting = d.between(-30, 45)
		}
		d.event(at, lasts, 0, 0, "metering_by: %.0f %%", setting)
		at += lasts
	}
	for at := d.between(15, 40); at < filled; at += d.between(25, 60) {
		d.event(at, d.around(0.3, 1.6), 0, 0, "metering: %s", pick(d, "blocked", "blocked", "bridged"))
	}
}

func (d *draw) lateShut(*potDrawn) {
	d.blast(12, 60, 1)
	d.say("      events:")
	d.event(d.between(88, 92), d.between(1, 1.6), 8, 0, "exhaust_shut: %.0f %%", pick(d, 100, 90, d.between(90, 100)))
	d.event(d.between(95, 96), d.between(1, 1.6), 8, 0, "exhaust_shut: 50 %%")
}

func (d *draw) slowWear(*potDrawn) {
	airOnly := d.chance(0.6)
	below := 1.0
	if !airOnly {
		below = math.Round(d.between(12, 25))
	}
	d.blast(40, 240, below)
	d.say("      events:")
	if airOnly {
		d.event(d.between(8, 20), d.between(1.2, 1.8), d.between(40, 75), 0, "metering_by: -100 %%")
	}
	d.event(d.between(40, 120), 0, 0, d.between(180, 480), "nozzle_worn: %.2f mm", d.around(0.05, 1.5))
	d.clogs(0.65, "separator_lost: %.1f %%", 16, 40)
	d.clogs(0.5, "exhaust_shut: %.1f %%", 13, 35)
	d.clogs(0.25, "hose_kink: %.1f %%", 8, 25)
	d.clogs(0.2, "choke_shut: %.1f %%", 20, 60)
	if d.chance(0.4) {
		d.event(d.between(20, 120), d.between(5, 30), d.between(60, 150), 0, "consumer: %.0f cfm", d.around(15, 80))
	}
}

// clogs writes with a probability what grows slowly to a share of up to so many per cent, stays for a while, is put right, and
// some time later begins again.
func (d *draw) clogs(p float64, what string, lo, hi float64) {
	if !d.chance(p) {
		return
	}
	over := d.around(10, 240)
	lasts := over + d.between(40, 120)
	d.event(d.between(90, 200), lasts, lasts+d.between(40, 120), over, what, d.between(lo, hi))
}
