// Package sparkplug reads and writes the payloads and topics of Sparkplug B 3.0 (ISO/IEC 20237:2023), as far as
// the project speaks it: scalar metrics by name or alias; data sets and templates are skipped on reading.
//
// Times on the wire are whole milliseconds; instants are cut to them. Reading is bounded in memory by the payload.
//
// # What is met here
//
// The names in brackets are the standard's requirement ids, without their common beginning; a star stands for any ending.
// The rest is met by the two sides: gritwatch/internal/edgenode/session and gritwatch/server/internal/ingest.
//
//   - Topics (topic-structure*, topics-*-topic, host-topic-phid-*-topic): Topic.String writes them, and a device stands in
//     those of D-messages alone; ParseTopic takes no others. Everything is told apart by case.
//   - Ids (topic-structure-namespace-valid-*, intro-*-id-chars): CheckID wants UTF-8 without + / #, without control
//     characters, at most 128 bytes, and leaves STATE to hosts.
//   - Time of a payload (payloads-timestamp-in-UTC, topics-*-timestamp): every encoder takes the instant of publishing and
//     writes it. It is UTC, as si.Instant is.
//   - Time of a metric (payloads-metric-timestamp-in-UTC, payloads-name-birth-data-requirement): EncodeBirth gives a metric
//     without a time that of the message; EncodeData refuses one.
//   - Order of time (operational-behavior-data-publish-*-order): encoders sort; a message is all live or all historical.
//   - Names (payloads-name-requirement) and data types (payloads-metric-datatype-req): EncodeBirth refuses a metric without
//     either, or whose value is not of its type (payloads-metric-datatype-value*).
//   - No value (topics-*birth-metrics): Null, and then no member of the oneof is written; a metric with neither is refused.
//   - Aliases (payloads-alias-*): births carry name and alias, data and commands the alias alone; Aliases reads them back.
//     Node Control/Rebirth is refused one (operational-behavior-data-commands-rebirth-name-aliases). Uniqueness over a
//     node is the session's part.
//   - seq (payloads-sequence-num-*): Counter counts, Order checks; EncodeNodeDeath and EncodeCommand write none, and zero is
//     written where it is the number.
//   - bdSeq (topics-ndeath-payload, topics-nbirth-bdseq-*): Int64; on reading any whole number from 0 to 255.
//   - Properties (payloads-propertyset-*): keys and values in pairs, each with its type. Quality is an Int32 of 0, 192 or 500
//     (payloads-propertyset-quality-value-*), written where it is not good; one that cannot be understood is read as
//     bad. engUnit is a String, in births.
//   - STATE (payloads-state-*): JSON with a boolean and whole milliseconds, nothing else.
//
// # What is left out, or done otherwise
//
//   - Data types: data leave them out (payloads-metric-datatype-not-req); commands do not, although they should. A common
//     reader of payloads finds no value in a metric without a type, and edge nodes made with it would obey no rebirth.
//   - UInt32 is read from either member of the oneof and never written: implementations disagree on it.
//   - DataSet, Template, File, arrays and metadata: not used, skipped on reading.
//   - is_transient: never written, ignored on reading.
package sparkplug
