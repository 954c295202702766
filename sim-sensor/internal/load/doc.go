// Package load plays a fleet of agents on a broker, for measuring what a server can take: one process, many edge nodes,
// each with births, readings batched as an agent batches them, answers to echoes and rebirths, and a death at its end.
//
// The readings are a simulated pot's, recorded once for each size of pot and played again and again, every pot from
// another place. All say Source/Simulated. The guard's word is always not-proven: nobody judges here, and so nobody can
// be told that a pot which does not exist may be opened.
//
// Every reading has its position in a journal, as an agent's has, so that a gap shows. The journal keeps nothing: it says so
// (its oldest record is the one to come), and answers requests with void positions. What cannot be sent in time is dropped and
// counted, and lost for the server.
//
// What an agent does and this does not: counters of serial lines, deaths of silent pots, historical messages.
package load
