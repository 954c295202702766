package airflow

import (
	"errors"
	"fmt"
	"math"

	"gritwatch/protocol/si"
)

// ErrDomain is what every refusal of a law wraps.
var ErrDomain = errors.New("outside the domain of the law")

// ErrChoked is wrapped, beside ErrDomain, by a refusal of more flow than the path can pass.
var ErrChoked = errors.New("more than the choked flow")

// A DomainError is a quantity outside the domain of a law. It wraps ErrDomain.
type DomainError struct {
	Quantity string // "upstream pressure"
	Value    float64
	Want     string // "above zero"
}

func (e *DomainError) Error() string {
	return fmt.Sprintf("airflow: %s of %g is not %s", e.Quantity, e.Value, e.Want)
}

// Unwrap is ErrDomain.
func (e *DomainError) Unwrap() error { return ErrDomain }

// choked is the refusal of a flow above the most that passes.
func choked(flow, most float64) error {
	return fmt.Errorf("%w: %w", &DomainError{"mass flow in kg/s", flow, fmt.Sprintf("at most the choked flow of %g", most)}, ErrChoked)
}

func positive(name string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) {
		return &DomainError{name, v, "above zero and finite"}
	}
	return nil
}

func notNegative(name string, v float64) error {
	if !(v >= 0) || math.IsInf(v, 0) {
		return &DomainError{name, v, "zero or above and finite"}
	}
	return nil
}

// finiteFlow is m, unless the quantities it came of were too large for a number.
func finiteFlow(m float64) (si.MassFlow, error) {
	if err := notNegative("mass flow in kg/s", m); err != nil {
		return 0, err
	}
	return si.MassFlow(m), nil
}

// conditions checks what every flow law needs.
func conditions(up, down si.AbsPressure, t si.Temperature) error {
	if err := positive("upstream pressure", float64(up)); err != nil {
		return err
	}
	if err := positive("downstream pressure", float64(down)); err != nil {
		return err
	}
	return positive("upstream temperature", float64(t))
}
