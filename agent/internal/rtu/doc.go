// Package rtu asks Modbus RTU slaves for their values, and writes single outputs: one request, one reply.
//
// RTU has no transaction number, so a reply that comes late looks like the reply to the next request. A value on
// this line may decide whether a vessel is opened, therefore:
//
//   - before every request the line must have been silent for t3.5; what comes is thrown away;
//   - a reply must agree in unit, function, number of bytes, length and check word, nothing may follow it, and it must
//     have been read before its time was over (a stopped program finds old bytes waiting when it goes on);
//   - after a request without a whole reply the line is listened to until it has been silent for as long as the
//     longest reply takes;
//   - what a unit may still answer is remembered, in the order of the requests (type owed). While it is more than the
//     request just sent, no value is taken. A slave answers in order, so the reply to a probe, a request with another
//     number of registers, tells that nothing older is on its way; that reply itself is not used;
//   - the first request to a unit is a probe: another program may have asked it just before;
//   - a unit of which a whole reply turns up that nobody waits for (a second master does that too) is left in peace
//     until nothing of it can be on its way. So is one that has never answered a probe and lets many pass in silence:
//     some slaves are deaf to counts that they do not like.
//
// A write is repeated by its unit, so its late reply looks like the reply to the same write made again. It can be taken
// for no value, for functions tell the two apart. It confirms a write only while no older write can be unanswered, of
// which the next good reading tells: units answer in order. A unit is written to even while it is left in peace.
//
// What cannot be told: a line that delivers a reply twice (some radio modems do), where the same unit is asked two
// requests of the same length one right after the other. Everywhere else the second one is noticed as above.
//
// When replies fail for a while, in whichever way, the first period in which the unit answers again settles with two
// or three short exchanges what it owes, and gives its value.
//
// The instant of a reply is taken when its last byte has been read; the system and an adapter may hold bytes back
// for some milliseconds (up to 16 with common adapters; common practice, no source).
package rtu
