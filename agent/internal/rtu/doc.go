// Package rtu asks Modbus RTU slaves for their values: one request, one reply.
//
// RTU has no transaction number, so a reply that comes late looks like the reply to the next request. A value on
// this line may decide whether a vessel is opened, therefore:
//
//   - before every request the line is listened to until it has been silent for t3.5; what comes is thrown away;
//   - a reply must agree in unit, function, number of bytes, length and check word, nothing may follow it, and it must
//     have been read before its time was over (a stopped program finds old bytes waiting when it goes on);
//   - after a request without a whole reply the line is listened to until it has been silent for as long as the
//     longest reply takes;
//   - where the missing reply did not turn up in that time, the unit is under doubt: its next request is a probe with
//     another number of registers, whose reply cannot be mistaken for the missing one. Only when the probe is answered
//     in time is the unit asked for values again. A slave answers in order, so nothing older is then on its way;
//   - a unit of which a whole reply turns up that nobody waits for (a second master does that too) is left in peace
//     until nothing of it can be on its way. So is one that lets many probes pass in silence: some slaves are deaf to
//     counts that they do not like.
//
// The instant of a reply is taken when its last byte has been read; the system and an adapter may hold bytes back
// for some milliseconds (up to 16 with common adapters; common practice, no source).
package rtu
