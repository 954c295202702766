// Package ascii asks gauges that answer with a line of text: one query, one line. What a line says is for package
// lines.
//
// A line of text has no transaction number, and often not even the gauge's address: an answer that comes late looks
// like the answer to the next query, or like that of another gauge. A value on this line may decide whether a vessel
// is opened, therefore:
//
//   - gauges whose answers cannot be told apart (a line may exist that a pattern of each matches) are one kind;
//   - before every query the line is listened to until it is silent; what comes is thrown away;
//   - an answer must be the first line after its query (an exact echo of which is passed over) and must have been read
//     before its time was over;
//   - after a query without an answer the line is listened to until it has been silent for as long as the longest
//     line takes. Where the answer turns up then, or before a later query, nothing is owed any more;
//   - where it does not, no gauge of that kind is asked until Rest is over (longer than answers are late), and the first
//     query after it is a throw-away one, whose answer is not used. If that answer was the missing one, a gauge that
//     answers one query after the other sends the throw-away query's own next: half of Rest is left for it. So a late
//     answer can be taken for the next one's only if it is later than Rest and the one behind it later than half of
//     Rest. Rest is longer than two periods, so that a gauge whose answers are all late by the same time cannot do that;
//   - a kind of which a line turns up that nobody waits for, or that once was very late and owes an answer again, is
//     left in peace until nothing of it can be on its way.
//
// An answer that came, but was spoilt, is an answer: as many bytes as the shortest one has, one of them lost.
//
// The instant of an answer is taken when its line end has been read, as in package rtu.
package ascii
