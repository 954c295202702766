package probe

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// ParseUnits reads "1-247" or "9,21,30-35"; the result rises and has every unit once.
func ParseUnits(text string) ([]uint8, error) {
	var out []uint8
	for part := range strings.SplitSeq(text, ",") {
		lo, hi, err := parseSpan(part)
		if err != nil || lo < modbus.MinUnit || hi > modbus.MaxUnit {
			return nil, fmt.Errorf("%q are not units; write for example 1-247 or 9,21: whole numbers from 1 to 247", text)
		}
		for u := lo; u <= hi; u++ {
			out = append(out, uint8(u))
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// ParseModes reads "19200 8E1,9600 8N1".
func ParseModes(text string) ([]serialport.Mode, error) {
	var out []serialport.Mode
	for part := range strings.SplitSeq(text, ",") {
		m, err := serialport.ParseMode(part)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, nil
}

// A Range is neighbouring registers or inputs of one kind.
type Range struct {
	Function    modbus.Function
	First, Last int // addresses as on the wire, counted from 0
}

// ParseRanges reads "input:0-99" or "input:304,holding:0-9"; the words are those of agent.yaml.
func ParseRanges(text string) ([]Range, error) {
	kinds := map[string]modbus.Function{"input": modbus.ReadInputRegisters, "holding": modbus.ReadHoldingRegisters,
		"discrete": modbus.ReadDiscreteInputs, "coil": modbus.ReadCoils}
	var out []Range
	for part := range strings.SplitSeq(text, ",") {
		kind, span, ok := strings.Cut(strings.TrimSpace(part), ":")
		fn, known := kinds[kind]
		lo, hi, err := parseSpan(span)
		if !ok || !known || !fn.Known() || err != nil || hi > 65535 {
			return nil, fmt.Errorf("%q is no range of registers; write for example input:0-99: input (function 04), holding (03), discrete (02) or coil (01), then addresses as on the wire, from 0 to 65535", part)
		}
		out = append(out, Range{fn, lo, hi})
	}
	return out, nil
}

// parseSpan reads "7" or "7-9".
func parseSpan(text string) (lo, hi int, err error) {
	first, last, isSpan := strings.Cut(strings.TrimSpace(text), "-")
	if !isSpan {
		last = first
	}
	a, err1 := strconv.ParseUint(strings.TrimSpace(first), 10, 16)
	b, err2 := strconv.ParseUint(strings.TrimSpace(last), 10, 16)
	if err1 != nil || err2 != nil || a > b {
		return 0, 0, fmt.Errorf("%q is no span", text)
	}
	return int(a), int(b), nil
}

// kind is the key in agent.yaml of what a function reads.
func kind(fn modbus.Function) string {
	switch fn {
	case modbus.ReadCoils:
		return "coil"
	case modbus.ReadDiscreteInputs:
		return "discrete"
	case modbus.ReadHoldingRegisters:
		return "holding"
	}
	return "input"
}
