// Package keep keeps what arrives from the field: it stores the samples in the history, follows how far each agent's journal is
// stored, and asks the agents for what is missing. Nothing waits for it: what it has no room for, or what the history does not
// take, is missing, and is asked for again.
//
// What makes a loss impossible is the order. An agent appends a record to its journal, then sends it. Here a record has arrived
// once it is in the history's log, where it outlives this process, and is safe once the disk has it, where it outlives a power
// cut. Only then is a position stored that covers it, and only then is the agent told that it may forget it. After a
// start the last five minutes are asked for again: should a disk have said of something that it has it, and not have it, the
// agent's journal mends that.
//
// What arrives twice is stored once, as a sample is the same if its point, its instant and its clock's epoch are.
// Clocks that are far off are placed by package clocks; a shift is stored before the first sample that it moves.
package keep
