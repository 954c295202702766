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

	HostID = "gritwatch" // names the server as a Sparkplug host

	PropertyUnit    = "engUnit"
	PropertyQuality = "Quality"
)

// AgentClientID is an agent's MQTT client id, by which a broker knows the agent's connections; nobody else may use it.
func AgentClientID(site, agent string) string { return "gritwatch-agent-" + site + "-" + agent }
