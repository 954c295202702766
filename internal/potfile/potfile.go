// Package potfile reads what is configured of a pot: the mapping of pot.yaml, which stands alike under the key
// pots of the agent's and the server's files. Reference is a file with every key.
package potfile

import (
	_ "embed"
	"regexp"

	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Reference is a pot.yaml with every key, its comments the documentation of the format.
//
//go:embed reference.yaml
var Reference string

// A Pot is one configured pot.
type Pot struct {
	Name         string // [a-z0-9-]{1,32}, unique on a server
	Vessel       Vessel
	Hose         Hose
	Nozzle       Nozzle
	Abrasive     Abrasive
	Units        Units
	Points       points.Set
	Gauges       [points.Count]vent.Gauge // what is known of each point's transducer; range in its own terms
	Control      Control
	Commissioned *vent.Vent // nil: not recorded
	Atmosphere   Atmosphere // zero: not given
	Baselines    Baselines
	Costs        Costs
	Intake       Intake
}

// A Vessel is the pressure vessel that holds the abrasive.
type Vessel struct {
	Volume        si.Volume        // empty
	Rated         si.GaugePressure // as on its nameplate
	HoldsPressure bool             // by design stays pressurised at a release until someone vents it
}

// A Hose is the blast hose.
type Hose struct {
	Bore, Length si.Length
}

// A Nozzle is the blast nozzle.
type Nozzle struct {
	Bore   si.Length
	Target si.GaugePressure // wanted at its inlet; 0: not given
}

// An Abrasive is what is blasted; zeros: not given.
type Abrasive struct {
	Bulk, Solid si.Density
}

// Units are those of the CSV columns and of the screen. Everything stored or sent is SI.
type Units struct {
	Pressure string // psi, bar or kPa
}

// Pa is one unit of pressure in pascals.
func (u Units) Pa() float64 {
	switch u.Pressure {
	case "psi":
		return si.PSI
	case "bar":
		return si.Bar
	}
	return si.KPa
}

// A Control is the operator's handle.
type Control struct {
	Electric bool             // a switch: a discrete input
	Inverse  bool             // a pneumatic line that works the other way
	On, Off  si.GaugePressure // both 0: as package vent has it
}

// An Atmosphere is the ambient pressure, from a barometer or from the altitude. The zero value is not given.
type Atmosphere struct {
	pressure  si.AbsPressure
	barometer bool
}

// AtAltitude is the standard atmosphere at an altitude above sea level.
func AtAltitude(h si.Length) Atmosphere { return Atmosphere{pressure: si.AtmosphereAt(h)} }

// OfBarometer is an ambient pressure that a barometer measured.
func OfBarometer(p si.AbsPressure) Atmosphere { return Atmosphere{pressure: p, barometer: true} }

// Given tells whether the atmosphere was configured.
func (a Atmosphere) Given() bool { return a.pressure > 0 }

// Pressure is the ambient pressure; the standard atmosphere at sea level where it was not given.
func (a Atmosphere) Pressure() si.AbsPressure {
	if !a.Given() {
		return si.StandardAtmosphere
	}
	return a.pressure
}

// FromBarometer tells whether the pressure is measured.
func (a Atmosphere) FromBarometer() bool { return a.barometer }

// Vent is the part of the pot that the answer uses.
func (p Pot) Vent() vent.Pot {
	out := vent.Pot{Name: p.Name, Volume: p.Vessel.Volume, Rated: p.Vessel.Rated, Target: p.Nozzle.Target,
		HoldsPressure: p.Vessel.HoldsPressure, Electric: p.Control.Electric, Inverse: p.Control.Inverse,
		On: p.Control.On, Off: p.Control.Off, Points: p.Points, Gauges: p.Gauges, Commissioned: p.Commissioned}
	for i := range out.Gauges {
		g := &out.Gauges[i]
		g.Barometer = p.Atmosphere.barometer && (g.Kind == vent.KindSealed || g.Kind == vent.KindAbsolute)
	}
	return out
}

// ParsePot reads the text of a pot.yaml; name stands in front of its errors, which are *yamlfile.Error.
func ParsePot(name string, text []byte) (Pot, error) {
	doc, err := yamlfile.Parse(name, text)
	if err != nil {
		return Pot{}, err
	}
	return fromDoc(doc)
}

// Read reads the pot.yaml at path; problems of its text are *yamlfile.Error.
func Read(path string) (Pot, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return Pot{}, err
	}
	return fromDoc(doc)
}

func fromDoc(doc *yamlfile.Doc) (Pot, error) {
	p := ReadPot(doc.Map(), Atmosphere{})
	if err := doc.Err(); err != nil {
		return Pot{}, err
	}
	return p, nil
}

// ReadPots reads the list under the key pots and refuses a name that stands there twice. It also gives each pot's
// mapping, for the caller's own keys. Problems are noted in the document.
func ReadPots(m yamlfile.Map, site Atmosphere) ([]Pot, []yamlfile.Map) {
	maps := m.Maps("pots")
	pots := make([]Pot, 0, len(maps))
	seen := make(map[string]bool, len(maps))
	for _, pm := range maps {
		p := ReadPot(pm, site)
		if seen[p.Name] && p.Name != "" {
			pm.Fail("name", "is the name of another pot of this file", "give every pot its own name")
		}
		seen[p.Name] = true
		pots = append(pots, p)
	}
	return pots, maps
}

// MinRange and MaxRange bound the end of a vessel gauge's range, in terms of the vessel's rating: it must show
// over-pressure, and not be too coarse to prove zero.
const MinRange, MaxRange = 1.1, 3.0

// Bounds of what a pot can be. Beyond them a unit or a digit is wrong; common practice, no source, unless noted.
const (
	minVolume, maxVolume   = 1 * si.Litre, 20.0        // m3; the largest bulk pots hold 160 ft3
	minRated, maxRated     = 0.5 * si.Bar, 20 * si.Bar // portable pots are rated 125 or 150 psi
	minHose, maxHose       = 5e-3, 0.1                 // m, bore
	minLength, maxLength   = 0.3, 500.0                // m
	minNozzle, maxNozzle   = 1e-3, 40e-3               // m
	minDensity, maxDensity = 100.0, 20000.0            // kg/m3
	minTarget              = 1 * si.KPa                // Pa
	minZeroError           = 1.0                       // Pa
	minSpanError           = 1e-5                      // 0.001 %
	maxZeroError           = 50 * si.KPa               // Pa
	maxSpanError           = 0.05                      // 5 %
	maxOffset              = 35 * si.KPa               // Pa: 5 psi is no zero of a working gauge
	maxVentTime            = 600.0                     // s
	minAmbient, maxAmbient = 50 * si.KPa, 110 * si.KPa // Pa: -700 m to 5500 m
	minAltitude            = -500.0                    // m
	maxAltitude            = 5500.0                    // m
)

var namePattern = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)
