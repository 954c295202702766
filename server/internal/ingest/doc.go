// Package ingest is the server's Sparkplug host application: it follows the births, data and deaths of the site's
// agents over MQTT and hands them to a feed.Sink, checked and in order.
//
// Only the agent that the configuration binds to a pot is believed (R8). Data of another agent for that pot, and data of
// a second session of the same agent, are refused and told as feed.Contest. A session is named by the agent's
// Session/Id. Two sessions are alive where a session that another has replaced comes back, or where a new one begins
// and the death of the old one does not follow within 2 s. A session that was replaced is believed again once the other has
// been silent for a minute; the contest then counts from the last message that need not have been its own.
//
// After a gap in an agent's sequence numbers nothing of it is believed until its births have been repeated, because
// what is missing may have been a new session or a step of its clock.
//
// # Sparkplug's rules for a host application
//
// The names in brackets are requirement ids of Sparkplug B 3.0, without their common beginning; a star stands for any ending.
// Files host.go, node.go, lines.go, order.go and state.go are pure: times are arguments. link.go is the connection. What
// payloads and topics owe is in gritwatch/protocol/sparkplug.
//
//   - A clean session of MQTT 3.1.1 (message-flow-phid-sparkplug-clean-session-311); the will on the own STATE topic, QoS 1,
//     retained, with the time of this CONNECT (operational-behavior-host-application-connect-will*, payloads-state-will*,
//     host-topic-phid-death-*): link.go. Each attempt has a later time than the last, so that a late will of the one before
//     never counts for this one.
//   - Subscriptions, confirmed by the broker, before STATE; STATE online as the first message, with the will's time
//     (host-topic-phid-birth-*, message-flow-phid-sparkplug-*, operational-behavior-host-application-connect-birth*,
//     payloads-state-birth*): link.go.
//     With the broker in this program, Options.Hear stands for the subscriptions to agents' messages: they begin before STATE too,
//     end with the connection, and what cannot be taken at once waits, where over a connection it would be dropped.
//   - A STATE of the own id (message-flow-hid-sparkplug-state-message-delivered): state.go. Offline is answered with online at
//     once, again with this connection's time. If it is later than this connection, nodes would not believe that; so the host
//     connects anew and says something later still, unless it comes from over a minute in the future. Online of an older
//     connection is left alone; of a newer one, another program uses the id, and people are told.
//   - Last words before leaving (operational-behavior-host-application-termination, -death-*, -disconnect-intentional): link.go.
//   - Births (topics-nbirth-*, topics-dbirth-*): nodeBirth and deviceBirth put their aliases in the place of those before; data by
//     an alias that was never born, or was born for another metric, ask for births, and nothing of the agent is believed
//     until they have come. The data type is the birth's where data leave it out.
//   - Deaths (operational-behavior-edge-node-termination-host-action-*): an NDEATH counts by its bdSeq, once, and is the death of
//     every pot, at the server's time of its arrival; a DDEATH is the pot's. A death is heard even where messages before
//     it are missing.
//   - The own connection lost: the death of every pot, as what they do is not known.
//   - Historical values (is_historical) never move the live value: they are feed.LateData.
//   - Sequence (operational-behavior-host-reordering-*): Options.Reorder, off unless the site's file has it, as brokers keep the
//     order of a connection. With it a gap starts the time; messages that come within it are taken in order (order.go);
//     after it, or at once without it, the agent is asked for its births.
//   - Rebirth also for what cannot be read, for data before births, and after every connection of the host; at most every 5 s
//     an agent, and kept until then.
//   - Commands (operational-behavior-data-commands-*, topics-ncmd-*, payloads-ncmd-*): NCMD with a time, QoS 0, not retained, no
//     seq; Node Control/Rebirth true by name, Node Control/Echo by the alias of its birth, if it has one.
//
// Left out, or done otherwise:
//
//   - The DDEATH's own time does not date the pot's staleness: ages are judged on the server's clock alone, which only
//     makes a pot older. Nothing an agent's clock says can make a reading look fresh.
//   - DCMD: nothing of a pot can be written.
//   - Metrics by a name that no birth had are left out, without asking for births.
//   - Several brokers at once, MQTT 5, and STATE in the format of Sparkplug 2.2.
package ingest
