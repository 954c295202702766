// Package notify tells people and programs outside the building of alarms: by webhook, mail and Prometheus Alertmanager.
//
// A Dispatcher takes each change of the alarms' board (Notice), which never waits, and has one outbox and one goroutine for each
// receiver, so that a slow or absent one delays neither the caller nor another receiver. What is told, and when, is decided by
// package outbox, which is pure; the words are in package message; each way of sending is a package of its own.
//
// # Over a restart
//
// What a receiver knows of an alarm, and whether something waits to be told to it, stands in the records (tellings), written
// without waiting. At a start, the alarms themselves come from their own records, and the two together say what is still to be told:
// so an alarm that was raised while the network was down is told after it, late, and says so, even where it has ended meanwhile; and nobody
// is told twice of what was told before. Deriving what waits from the open alarms alone would do either the one or the other wrong.
// A telling that was lost, as the disk was full, makes one message more, with the same id as before; never one less.
//
// # What cannot be known
//
// Whether anybody has read it. A receiver that takes a message and loses it is not asked again.
package notify
