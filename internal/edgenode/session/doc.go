// Package session is the part of a Sparkplug B edge node that keeps the rules: what may be said when, under which number,
// and what to do about what is heard. It is pure: times are arguments, what is to be sent comes back as messages, and the
// connection is somebody else's.
//
// A Machine lives as long as the program and sees one connection after another: Connect, Births once Ready, then Data,
// DeviceBirth, DeviceDeath and Births again in any order, at last Death or Over.
//
// # Sparkplug's rules for an edge node
//
// The names in brackets are requirement ids of Sparkplug B 3.0, without their common beginning; a star stands for any ending.
// "The node" is gritwatch/internal/edgenode, which holds the connection; what payloads and topics owe is in
// gritwatch/protocol/sparkplug.
//
//   - A clean session of MQTT 3.1.1 (principles-persistence-clean-session-311), and one connection at a time: the node.
//   - Every CONNECT has a will: NDEATH, QoS 1, not retained, bdSeq alone
//     (message-flow-edge-node-birth-publish-will-message*, payloads-ndeath-will-message*): Connect.
//   - bdSeq begins with 0 and goes up by one with every CONNECT, 255 followed by 0 (topics-nbirth-bdseq-increment): the node
//     counts on disk before it uses a number, and takes none where not even a connection came about, since no CONNECT
//     went out then. Every NBIRTH repeats the will's (topics-nbirth-bdseq-*, payloads-nbirth-bdseq-repeat): Births.
//   - NCMD is subscribed to at QoS 1, and the broker has confirmed it, before the births
//     (message-flow-edge-node-ncmd-subscribe): Subscriptions.
//   - NBIRTH first, with seq 0, then every DBIRTH, and no data between (principles-birth-certificates-order,
//     payloads-dbirth-order, payloads-*data-order): Births gives them as one row; the node lets nothing in between.
//   - Every metric that is to be sent is in the births, with name, type and value (topics-*birth-metric-reqs,
//     operational-behavior-data-publish-*birth*): Data refuses others, and values of another type.
//   - bdSeq and Node Control/Rebirth, a Boolean, false, without alias (topics-nbirth-rebirth-metric,
//     operational-behavior-data-commands-rebirth-*): Births adds them.
//   - Aliases are unique over the node and its devices (payloads-alias-uniqueness): one count for all, each connection from
//     another number; births again on the same connection give the same. Historical data go by name without one, as metrics may
//     (payloads-name-requirement): whoever stores or forwards them needs no birth to read them.
//   - Data of a time in which nothing could be published may follow, marked is_historical, with the time of capture and the
//     session's seq; only metrics without the mark are bound to chronological order
//     (operational-behavior-data-publish-*birth-order). Data takes the mark as it is given, of all metrics of a message alike.
//   - Ids and names that differ by more than case (case-sensitivity-*): Births refuses others. That node and group together
//     are unique (intro-edge-node-id-uniqueness) is the site's part; the server tells when they are not.
//   - One count of seq for everything but NDEATH (payloads-sequence-num-*, topics-*-seq-num): the Machine; a message that
//     cannot be made takes no number, and one that cannot be written ends the connection.
//   - NDEATH before DISCONNECT, acknowledged, and nothing after it
//     (operational-behavior-edge-node-intentional-disconnect-*): Death. Its QoS is the will's. A connection that is left
//     before its births, while a primary host is waited for, is left the same way, though births should be the first
//     message of all: hosts do not heed a death of which they know no birth.
//   - DDEATH for a lost device (operational-behavior-device-ddeath, payloads-ddeath-*): DeviceDeath. A device that comes back
//     has a DBIRTH alone, with metrics that the node's births had; a new one needs births of all.
//   - Rebirth (operational-behavior-data-commands-rebirth-action-*): Hear tells of it, Births answers, on the same connection
//     under the same bdSeq. Requests that come while births are out, or within a quarter of a second, are answered by the
//     same ones.
//   - Primary host (message-flow-edge-node-birth-publish-phid-*, operational-behavior-edge-node-termination-host-offline*):
//     with Options.Primary births wait for its STATE, and go on by the times in it; offline no older than the last online
//     ends the session with NDEATH, an older one is left alone. What a host said is remembered from connection to
//     connection. Without the option data flow whoever listens.
//
// Left out, or done otherwise:
//
//   - A primary host that is offline before the births is waited for on the same connection: there is one broker, so that
//     leaving would only lead back to it. A list of brokers (…-multiple-servers-*) there is not.
//   - Publishing on change (principles-rbe-recommended): a new reading is a change, even if it shows the same value, as
//     whoever judges a vessel must see that its gauge still answers.
//   - Births again name every device, also one that was told dead, which is told dead again at once: its metrics stay known.
//   - What is read while there is no session is not kept here: whoever owns the node has a journal, and publishes from it what
//     the host asks for.
//   - DCMD is not subscribed to, as nothing of a device can be written; templates and MQTT 5 are not used.
//
// # Commands that stay away
//
// Sparkplug has no rule for a subscription that a broker has lost. Where Options.Asker names a host that asks every few seconds,
// Due tells what to do when it is online and nothing comes: after 30 s subscribe again, then, a minute later, connect
// anew; never two within a minute, and after each fruitless round at twice the distance, up to 16 minutes.
package session
