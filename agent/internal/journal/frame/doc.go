// Package frame is how a journal's records lie in bytes. It is pure: no clock, no I/O, nothing random; appending
// allocates nothing where there is room, and whatever bytes are read, none panic and none take more memory than
// a frame may be long.
//
// A segment file is a row of frames and nothing else. Numbers of fixed length are little-endian; "varint" is the one of
// encoding/binary, "signed" its zigzag form.
//
//	marker  2 bytes  B1 6A
//	kind    1 byte   'b' batch, 'h' head, 'm' mark
//	length  2 bytes  of the body
//	check   4 bytes  CRC-32C (RFC 3720, appendix B.4) of kind, length and body, for a batch begun with that of the journal's id, so
//	                 that no frame of another journal on the same card is ever taken for one of this
//	body
//
// Every frame stands for itself: what comes before it is not needed to read it, so that damage costs the frames it
// touches and no others. Behind damage, reading goes on at the next marker with a frame that passes its check.
//
// The body of a batch, records of one pot in the order in which they were given:
//
//	first position   varint
//	count            varint, at least 1
//	pot              length, 1 byte, at least 1; then its name
//	epoch of clock   varint
//	first instant    signed, us after the epoch
//	each record
//	    what         1 byte: point (bits 0 to 2), quality (3, 4), pressed (5), length of the value (6, 7)
//	    instant      signed, us: the step from the record before, less the step that came before the last record of this
//	                 point in the frame (points are polled in turn, so that this is near nothing)
//	    value        0, 2, 3 or 4 bytes, signed: the step from the last value of this point in the frame, of 0 at first
//
// A value is the float32 that the wire carries too, so that a record read back publishes the same as the live reading did. Its
// 32 bits count as a whole number in the order of the values they stand for, and the step is taken between those. A
// record without a reply has no value.
//
// The body of a mark or a head (a mark that also names the holes): version 1, the id (16 bytes), then varints as in
// Mark, and of a head the holes: their number, and for each how far behind the last one's end it begins, and how long
// it is.
package frame
