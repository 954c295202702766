// Package modbus holds the frames of Modbus RTU that read inputs and write one output, in both directions, and the
// line's timing. It is pure: no clock, no I/O, and nothing is allocated except for an error.
//
// Sources: Modbus Application Protocol V1.1b3 (sections 6.1 to 6.6, 7) and Modbus over Serial Line V1.02
// (sections 2.5.1 and 6.2.2). Functions 01 to 04 read. 05 (one coil) and 06 (one register) change a device; they are
// parted from the reads, so that no reading code can write by a wrong code, and they are for the beacon of a guard
// alone: a gauge is never written to.
//
//	request    unit  function      address hi lo   count hi lo   crc lo hi       8 bytes
//	reply      unit  function      bytes n         data (n)      crc lo hi       5 + n bytes
//	write      unit  function      address hi lo   value hi lo   crc lo hi       8 bytes; the reply repeats it
//	exception  unit  function|80h  code                          crc lo hi       5 bytes
//
// Registers stand high byte first; coils and discrete inputs eight to a byte, the first in the lowest bit. Addresses
// are those on the wire, counted from 0. A frame has at most 256 bytes.
package modbus
