// Package history keeps every sample of a site's pots exactly once, through any outage, and gives ranges of them to the
// page, to files and to the engine's rewind. It stands on the time series store of the Prometheus project, used as a
// library.
//
// # What is stored
//
// A series is one point of one pot in one epoch of its agent's clock, with one quality; its labels are the kind of value
// (pressure, gauge Pa; or pressed, 0 or 1, of a handle that is a switch), site, pot, point, epoch and quality. So a
// clock that was set back neither hides nor overwrites anything, and a gap, a gauge that does not answer and a value out
// of range never look alike. A reading without a reply is stored with the value 0, which is not given back.
//
// Times are stored in microseconds, as the samples have them, although the library's documentation speaks of
// milliseconds: it takes any unit if all are equal. A rewind thus sees the very instants that the engine saw live, and
// two samples of a point can only meet if they have the same microsecond: one reading takes over a millisecond on a
// serial line, and at 50 Hz they are 20 ms apart. Tools that read the files take the times for a thousandfold.
//
// # Exactly once
//
// Append takes the same samples again, in any order, and late ones within a window. The library drops a second value at
// an instant, or keeps both until it next merges its files, and tells neither. So what is not newer than the newest known
// sample of its point is compared with what is stored there: the same is Repeated, another a Conflict, which is counted and
// changes nothing. After each commit the library's own counters are compared with what was given to it: it reports the
// loss of a late sample nowhere else.
//
// What lies further back than the window, beyond the retention, or in the future is refused and counted. A sample refused
// for the future is taken once its time has come: agents need only offer it again.
//
// # What survives
//
// When Append returns, its samples are in the log, written to the operating system: they survive the end of the process,
// kill -9 included. The library never waits for the disk in an append: it does so when a segment of the log is full (32
// MiB), and at Close. A power cut takes the rest. Sync waits for the disk; Fate tells of the mark that Append gave
// whether it is there. An agent's position may be acknowledged once the fate of its samples is OnDisk, and
// not before. Marks end with the store that gave them: after a restart what was not acknowledged is asked for again, and
// what is there is Repeated.
//
// Late samples have a log of their own. The library notes in it which of them are in a file of chunks, and drops those when it
// reads the log; but the note may reach the disk before the chunk, or name a place that has another's chunk by the time
// the log is read. So Open takes the notes out and deletes the files of chunks, and everything in memory is made from the
// logs, which keep each sample until a block has it. That takes a few seconds for an hour of a hundred pots. What late
// samples would be lost without a kill, and why none are, stands at gate.
//
// After a failed fsync the kernel counts the pages that it could not write as written. What was Pending is then Void, and
// the log is written anew, to other places, before anything else is taken.
//
// # Faults
//
// Under Options.MinFree bytes nothing is taken, which leaves the disk room for what the library does in the background.
// After a failed write the log may end in the midst of a record, and the library, going on, would write behind it what it
// could not read again. So after any failed write nothing more is taken, readers go on, and Run opens the store anew as
// soon as the disk takes writes. Where the library fails in the midst of a late sample its locks stay taken; then readers
// are sent away too until it is opened anew. It says that it cannot write a chunk by a panic: Run does its background work
// in the library's place, so that such a panic is caught. One stays out of reach: where the disk fills up (or a quota or a
// limit is met) while the store is being opened, chunks are made from the log in the library's own goroutines. That is why
// nothing is opened without MinFree bytes of room.
//
// At Open the log is read through first. Damaged records are replaced by empty ones, blocks that do not open are moved
// away, and what was there is kept in the folder damaged; Damage tells of it. By itself the library would drop a log from
// the first damage on, refuse to open with a damaged checkpoint, and pass over a block without a word. Damage within the
// chunks of a block shows when they are read: a query then ends with an error.
//
// # Use
//
// The examples show what it is made for: samples of agents that are acknowledged (Append, Fate), all points of a pot from an
// instant on (Range), a picture (Downsampled) and a file (Range). Append keeps up with hundreds of thousands of samples a second
// and allocates nothing for a sample in the order of time; while the library goes from one block to the next it waits, for a
// second or two with a hundred pots, once a Block. Readers hold a page of samples, or a day of one point's chunks, and
// are waited for only so long.
//
// # Files
//
// In the directory of the store: samples (the library's: wal, wbl and chunks_head, and a folder a block), damaged, lock. A
// reading takes about 5 bytes on the disk, so a pot of six points at 10 Hz some 27 MB a day. All of it may be copied while
// the server is stopped.
package history
