package serialport

import (
	"fmt"
	"strconv"
	"strings"
)

// A Mode is the speed and the shape of a character on the line.
type Mode struct {
	Baud     int  // bit/s
	DataBits int  // 7 or 8; Modbus RTU needs 8
	Parity   byte // 'N', 'E' or 'O'
	StopBits int  // 1 or 2
}

const modeHint = `write for example "19200 8E1": speed, data bits, parity N, E or O, stop bits`

// ParseMode reads "19200 8E1" for Modbus RTU.
func ParseMode(text string) (Mode, error) {
	return parseMode(text, "8", "Modbus RTU needs 8")
}

// ParseTextMode reads "9600 7E1" for lines of text: 7 data bits are allowed.
func ParseTextMode(text string) (Mode, error) {
	return parseMode(text, "78", "lines of text need 7 or 8")
}

// parseMode takes one of the data bits given; need says so.
func parseMode(text, bits, need string) (Mode, error) {
	speed, shape, ok := strings.Cut(strings.TrimSpace(text), " ")
	shape = strings.ToUpper(strings.TrimSpace(shape))
	if !ok || len(shape) != 3 {
		return Mode{}, fmt.Errorf("%q is not a line mode; %s", text, modeHint)
	}
	baud, err := strconv.Atoi(speed)
	if err != nil || baud < 300 || baud > 1_000_000 {
		return Mode{}, fmt.Errorf("%q has %q where a speed of 300 to 1000000 bit/s should be; %s", text, speed, modeHint)
	}
	m := Mode{Baud: baud, DataBits: int(shape[0] - '0'), Parity: shape[1], StopBits: int(shape[2] - '0')}
	if !strings.ContainsRune(bits, rune(shape[0])) {
		return Mode{}, fmt.Errorf("%q has %c data bits, but %s; %s", text, shape[0], need, modeHint)
	}
	if !strings.ContainsRune("NEO", rune(m.Parity)) {
		return Mode{}, fmt.Errorf("%q has the parity %c, which is not known here; %s", text, shape[1], modeHint)
	}
	if m.StopBits != 1 && m.StopBits != 2 {
		return Mode{}, fmt.Errorf("%q has %c stop bits; %s", text, shape[2], modeHint)
	}
	return m, nil
}

// Bits is how many bits a character takes on the line: start, data, parity, stop.
func (m Mode) Bits() int {
	n := 1 + m.DataBits + m.StopBits
	if m.Parity != 'N' {
		n++
	}
	return n
}

// String is the mode as ParseMode reads it.
func (m Mode) String() string {
	return fmt.Sprintf("%d %d%c%d", m.Baud, m.DataBits, m.Parity, m.StopBits)
}
