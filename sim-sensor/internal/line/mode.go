package line

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/modbus"
)

// A Mode is the speed and character format of a serial line.
type Mode struct {
	Baud   int
	Parity byte // 'N', 'E' or 'O'
	Stop   int  // stop bits
}

var bauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

// ParseMode reads a mode such as "57600 8E1". Modbus RTU needs eight data bits.
func ParseMode(text string) (Mode, error) {
	speed, format, _ := strings.Cut(strings.TrimSpace(text), " ")
	baud, err := strconv.Atoi(speed)
	format = strings.TrimSpace(format)
	if err != nil || !slices.Contains(bauds, baud) || len(format) != 3 || format[0] != '8' ||
		!strings.Contains("NEO", format[1:2]) || format[2] != '1' && format[2] != '2' {
		return Mode{}, fmt.Errorf("%q is not a line mode; write a speed of %v and 8N1, 8E1, 8O1 or 8N2, for example 57600 8E1", text, bauds)
	}
	return Mode{Baud: baud, Parity: format[1], Stop: int(format[2] - '0')}, nil
}

// Bits is the length of a character on the line, start bit included.
func (m Mode) Bits() int {
	n := 1 + 8 + m.Stop
	if m.Parity != 'N' {
		n++
	}
	return n
}

// String is the mode as ParseMode reads it.
func (m Mode) String() string { return fmt.Sprintf("%d 8%c%d", m.Baud, m.Parity, m.Stop) }

// Takes is how long n characters take.
func (m Mode) Takes(n int) time.Duration { return m.frame(n) }

func (m Mode) frame(n int) time.Duration { return modbus.FrameTime(n, m.Baud, m.Bits()) }
