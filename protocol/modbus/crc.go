package modbus

// crcTable is the CRC-16 of every byte: polynomial A001h (reflected), as in section 6.2.2.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// CRC is the check word of b: reflected polynomial A001h, start FFFFh. Its low byte goes on the line first. The CRC
// of a frame with its own check word is 0.
func CRC(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c = c>>8 ^ crcTable[byte(c)^v]
	}
	return c
}

// appendCRC adds the check word of what stands in dst from start on.
func appendCRC(dst []byte, start int) []byte {
	c := CRC(dst[start:])
	return append(dst, byte(c), byte(c>>8))
}
