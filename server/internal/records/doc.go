// # What is on the disk
//
// One SQLite file in the folder records of the server's data directory, in WAL mode: readers, of this process or another,
// see whole transactions and never wait for the writer. Each transaction is synced (synchronous = FULL), positions and
// checkpoints with all others: there is at most one a second, unless people wait, so a cheaper way would gain little, and a cut of
// the power could take back an acknowledgement that somebody was told is stored. After a sync that failed nothing of its transaction
// counts as stored; the next try writes it anew, to the same places of the log.
//
// At Open the file is checked from end to end (PRAGMA quick_check; about a second for 100 MB). States of engines carry a checksum of
// their own, as SQLite has none for what is in its pages.
//
// A restored backup holds the journals' positions of its time. The agents are then asked for all that came since; what they have
// dropped meanwhile counts as lost, although the history may have it. Samples that come again are no harm.
//
// # A second back end
//
// PostgreSQL beside SQLite needs:
//
//   - A type with the methods of Records. The queue can be used as it is: it wants a commit that stores entries in one
//     transaction; which of the database's errors belong to one record and not to the disk (refuses); and words for a fault.
//   - Nothing new of the SQL in tables.go and the files of the records: it keeps to what both take, numbers its placeholders as
//     $1 (made by parameter, where a statement is put together), and has upserts as ON CONFLICT. An entry's do takes a
//     session, which a transaction of database/sql is with any driver.
//   - Nothing new of migrations: the files have no type or word of one of the two alone. BYTEA is PostgreSQL's; SQLite keeps bytes
//     in such a column as they are. Only the dialect that provider names differs. A step that can only be written for one of them
//     wants a folder for each.
//   - The lists' keys in the same order everywhere: ids and names of pots are ASCII, so columns need the collation C.
//   - Its own Backup, Fault words and check at the start; and, as several servers then share the tables, a site in every key.
package records
