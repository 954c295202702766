package modbus

import "time"

// Timing by Modbus over Serial Line V1.02, 2.5.1.1: up to 19200 bit/s the gaps are 1.5 and 3.5 characters of 11 bits,
// above it fixed.
const (
	fixedAbove    = 19200
	characterBits = 11
	fastGap       = 750 * time.Microsecond
	fastSilence   = 1750 * time.Microsecond
)

// CharacterTime is how long one character of bits (start, data, parity and stop bits together: 10 or 11, in odd cases
// 12) takes at baud bit/s.
func CharacterTime(baud, bits int) time.Duration {
	return time.Duration(bits) * time.Second / time.Duration(baud)
}

// FrameTime is how long n characters of bits take at baud bit/s, back to back.
func FrameTime(n, baud, bits int) time.Duration {
	return time.Duration(n*bits) * time.Second / time.Duration(baud)
}

// SilentInterval is the silence that parts two frames, t3.5, at baud bit/s.
func SilentInterval(baud int) time.Duration {
	if baud > fixedAbove {
		return fastSilence
	}
	return 35 * characterBits * time.Second / time.Duration(10*baud)
}

// CharacterGap is the longest silence inside a frame, t1.5, at baud bit/s.
func CharacterGap(baud int) time.Duration {
	if baud > fixedAbove {
		return fastGap
	}
	return 15 * characterBits * time.Second / time.Duration(10*baud)
}
