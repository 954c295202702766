// Package journal keeps an agent's records on a small disk that may fill, wear out, or lose its power at any moment, so that
// what could not be sent can be sent later, and so that whoever gets them can tell whether any is missing.
//
// # Records
//
// A record is one sample of one pot. Each has a position: the first of a journal is 0, each next one is higher by one.
// A journal has an id, 128 random bits, new with a new folder, and where no segment of an old one can be read; id and position
// together name a record for ever (a copied card has two agents use one id: give the copy an empty folder). No position
// is given to a second sample, whatever happens: cut power, a torn write, a sync that failed, another start. Where what was
// given away is not known for sure, positions are left out; they hold nothing and count as lost.
//
// What is kept of a sample: its pot by name, point, quality, the handle, its instant and the epoch of the clock that
// stamped it, and its value as float32, as the wire carries it, none without a reply.
//
// # Files
//
// Segments, 0000000001.segment and on, rows of frames (package frame). Append makes one frame of its samples. A segment
// begins with a head, and at each sync gets a mark: both say how the journal stands, and up to which position
// records may be given away without a further word on the disk. So the sync that makes records safe reserves positions for the
// next ones too: 1024, or four times as many as were used since the sync before, if that is more. A start goes on
// where the reservation ended, after an end in order right behind the last record, and always in a new segment. Segments
// of another journal in the same folder are left alone; so are files of other names.
//
// # What holds
//
//   - What Sync has returned for, or lies before Status.Synced, outlasts a cut of the power; of the rest a cut may take any
//     part. Read then gives what is left: each record once, none wrong (CRC-32C), in order.
//   - What Write has returned for outlasts the end of the process, killed or not, while the machine goes on. A caller that
//     sends records on sends them after Write, so that none is known elsewhere that the journal has forgotten.
//   - The worst loss of a cut is what was appended in SyncEvery (5 s) and the duration of one sync; of a killed process, what
//     was appended since the last Write, or in WriteEvery (1 s). As lost count all positions reserved, so that Lost is an upper
//     bound: for a pot of 60 samples a second 1200 positions at most, and a few times that where the end of the last segment
//     is torn.
//   - Damage costs the frames it touches; reading goes on behind it. What is missing in the newest segment is counted at the
//     start, in older ones when they are read (or dropped): reading them all at a start would take too long.
//   - Positions lost are counted once, and kept over restarts. Only between being found and the next sync may a cut make
//     them count again.
//   - The size on disk stays under MaxBytes. A segment is dropped when the journal has run for MaxAge since the last
//     record in it: in running time, for the clock of a machine without a network or a battery jumps by years, and must not
//     take the backlog with it. A segment that is being written is not dropped; it ends when it is a 16th of MaxBytes (16 MiB
//     at most) or a 24th of MaxAge long. What was not acknowledged is then lost, and logged. After a cut some of what had
//     been dropped may be there again.
//   - Write waits for no sync that is under way, but for the last of a segment and the first of the next (once in an hour or
//     16 MiB).
//   - What the disk does not give when it is read is no loss until it has failed for 10 minutes: it may pass.
//   - Append never waits for the disk: it copies into a buffer, under a lock that is held at most as long as it takes to copy
//     that buffer (512 KiB).
//
// A card that takes back, unnoticed, what it had confirmed as safe, and leaves no trace of it, can make a journal forget
// what it gave away. Where it leaves bytes that are no frame, positions are skipped as far as such bytes could have
// reserved them.
//
// # Writing
//
// Cards wear by what reaches them, and by syncs more than by bytes: each makes the file system write its own blocks too. What is
// written (by Write, or each second) waits in the system's memory and costs the card nothing until the sync, every 5 s, which
// adds one more small write; neither comes when there is nothing to write. A pot of 6 points at 10 Hz takes 6.9 bytes a record,
// 36 MB a day, marks and heads with it.
//
// # Faults
//
// Records stay in memory until a sync has made them safe. After a write or sync that failed nobody knows what the disk
// holds (a second sync may well say that all is well), so the segment is left as it was when it was last safe, and the
// records go to a new one, tried again after 1 s, 2 s and so on up to 10 s. As long as positions are reserved and the buffer has
// room (about 20 s of samples) Append gives positions; after that it refuses, for a sample that may never reach the disk must not
// claim one. Such samples may go out without; they are counted, and the fault and its end are told once each. On a full disk
// the oldest segment goes if all of it has been acknowledged. A folder that can be read but not written is no
// error of Open.
package journal
