package airflow

import "gritwatch/protocol/si"

// A Reference is a named state at which volume flows are counted. A volume flow means nothing without one: the same
// air is 8 % more at 20 C than at 0 C.
type Reference uint8

// The states in use. What is measured at a compressor's intake (free air delivered) is an Air instead.
const (
	ANR         Reference = iota + 1 // ISO 8778, of ISO 6358: 100 kPa, 20 C, 65 %; density 1.185 kg/m3 by convention
	DIN1343                          // Nm3: 101.325 kPa, 0 C, dry
	ISO1217                          // of compressor data sheets: 100 kPa, 20 C, dry; from memory
	Standard60F                      // scfm of the gas trade: 14.696 psia, 60 F, dry
	Standard68F                      // scfm of the fan and air trades: 14.696 psia, 68 F, dry
	Handbook60F                      // free air of pipe tables: 14.7 psia, 60 F, dry
	Handbook68F                      // free air of blast-nozzle tables: 14.7 psia, 68 F, dry
	Handbook70F                      // free air of the orifice table: 14.7 psia, 70 F, dry
)

type state struct {
	name string
	p    si.AbsPressure
	t    si.Temperature
}

func fahrenheit(f float64) si.Temperature { return si.Temperature((f + 459.67) * 5 / 9) }

func (r Reference) state() (state, error) {
	switch r {
	case ANR:
		return state{"ANR (ISO 8778)", 100e3, ReferenceTemperature}, nil
	case DIN1343:
		return state{"DIN 1343", si.StandardAtmosphere, si.ZeroCelsius}, nil
	case ISO1217:
		return state{"ISO 1217", 100e3, 293.15}, nil
	case Standard60F:
		return state{"14.696 psia, 60 F", 14.696 * si.PSI, fahrenheit(60)}, nil
	case Standard68F:
		return state{"14.696 psia, 68 F", 14.696 * si.PSI, fahrenheit(68)}, nil
	case Handbook60F:
		return state{"14.7 psia, 60 F", 14.7 * si.PSI, fahrenheit(60)}, nil
	case Handbook68F:
		return state{"14.7 psia, 68 F", 14.7 * si.PSI, fahrenheit(68)}, nil
	case Handbook70F:
		return state{"14.7 psia, 70 F", 14.7 * si.PSI, fahrenheit(70)}, nil
	}
	return state{}, &DomainError{"reference state", float64(r), "one of the package's"}
}

// String is the state's name.
func (r Reference) String() string {
	s, err := r.state()
	if err != nil {
		return "unknown reference state"
	}
	return s.name
}

// State is the pressure and temperature.
func (r Reference) State() (si.AbsPressure, si.Temperature, error) {
	s, err := r.state()
	return s.p, s.t, err
}

// Density is that of air at the state. That of ANR is the standard's rounded figure, 0.3 % from the ideal gas either
// way (1.1816 moist, 1.1884 dry); the others are the ideal gas's.
func (r Reference) Density() (si.Density, error) {
	s, err := r.state()
	if err != nil {
		return 0, err
	}
	if r == ANR {
		return ReferenceDensity, nil
	}
	return si.Density(float64(s.p) / (GasConstant * float64(s.t))), nil
}

// A StandardFlow is a volume flow with the state at which it is counted.
type StandardFlow struct {
	Volume si.VolumeFlow
	At     Reference
}

// StandardFlow is a mass flow counted at the state.
func (r Reference) StandardFlow(m si.MassFlow) (StandardFlow, error) {
	if err := notNegative("mass flow", float64(m)); err != nil {
		return StandardFlow{}, err
	}
	d, err := r.Density()
	if err != nil {
		return StandardFlow{}, err
	}
	return StandardFlow{Volume: si.VolumeFlow(float64(m) / float64(d)), At: r}, nil
}

// MassFlow is the flow of air that the volume flow counts.
func (f StandardFlow) MassFlow() (si.MassFlow, error) {
	if err := notNegative("volume flow", float64(f.Volume)); err != nil {
		return 0, err
	}
	d, err := f.At.Density()
	if err != nil {
		return 0, err
	}
	return finiteFlow(float64(f.Volume) * float64(d))
}

// To is the same flow counted at another state.
func (f StandardFlow) To(r Reference) (StandardFlow, error) {
	m, err := f.MassFlow()
	if err != nil {
		return StandardFlow{}, err
	}
	return r.StandardFlow(m)
}
