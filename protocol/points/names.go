package points

// Names of the Sparkplug metrics that are not pressures (units and types as the contract gives them). Those of serial
// lines are made by LineItem.Metric.
const (
	MetricGuardState  = "Guard/State"      // String: the word of the answer, device metric
	MetricConfig      = "Config/Digest"    // String: "vent/1:" and hexadecimal SHA-256, device metric
	MetricSimulated   = "Source/Simulated" // Boolean, device metric
	MetricClockEpoch  = "Clock/Epoch"      // UInt64, node metric: new whenever wall and monotonic time part
	MetricSession     = "Session/Id"       // String, node metric: random, new with every start of an agent
	MetricEcho        = "Node Control/Echo"
	MetricClockEcho   = "Clock/Echo"    // UInt64: the nonce given back
	MetricClockEchoAt = "Clock/Echo At" // UInt64: the agent's time at the answer, us
	MetricRebirth     = "Node Control/Rebirth"
	MetricBdSeq       = "bdSeq"

	// First in the DDATA of every reading that the agent's journal holds; the message's i-th reading has the position
	// Position + i.
	MetricJournalPosition = "Journal/Position" // UInt64, device metric
	MetricJournalCount    = "Journal/Count"    // UInt64, device metric: how many readings the message has
	MetricJournalEpoch    = "Journal/Epoch"    // UInt64, device metric: the Clock/Epoch that stamped them

	// How the journal of an agent stands.
	MetricJournalID     = "Journal/Id"     // String, node metric: new with a new folder; null without a journal
	MetricJournalOldest = "Journal/Oldest" // UInt64, node metric: position that can still be asked for
	MetricJournalNext   = "Journal/Next"   // UInt64, node metric: position of the reading to come
	MetricJournalLost   = "Journal/Lost"   // UInt64, node metric: positions that can never be asked for, at most

	// In one NDATA: positions from From to To (exclusive) were asked for, and hold nothing for good.
	MetricJournalVoidFrom = "Journal/Void From" // UInt64, node metric
	MetricJournalVoidTo   = "Journal/Void To"   // UInt64, node metric

	// In one NCMD: positions from From to To (exclusive) of the journal Id are asked for, and what lies before From
	// is stored for good.
	MetricReplayID   = "Node Control/Replay Id"   // String
	MetricReplayFrom = "Node Control/Replay From" // UInt64
	MetricReplayTo   = "Node Control/Replay To"   // UInt64

	HostID = "gritwatch" // names the server as a Sparkplug host

	PropertyUnit    = "engUnit"
	PropertyQuality = "Quality"
)

// AgentClientID is an agent's MQTT client id, by which a broker knows the agent's connections; nobody else may use it.
func AgentClientID(site, agent string) string { return "gritwatch-agent-" + site + "-" + agent }
