// Package access is who may do what on the embedded broker: the users' file, and what the agents and observers in it may
// publish, read and call themselves.
package access

import (
	"strings"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// A Kind is a kind of user.
type Kind uint8

// The kinds of user.
const (
	Nobody   Kind = iota
	Agent         // an edge node, which speaks for itself alone
	Observer      // reads everything, publishes nothing
	Server        // the program that runs the broker
)

var kindNames = [...]string{"nobody", "agent", "observer", "server"}

func (k Kind) String() string { return kindNames[k] }

// reserved begins the client ids of the project's own programs.
const reserved = "gritwatch-"

// Rights are what one connection may do on the broker of one site. The zero value may do nothing.
type Rights struct {
	kind           Kind
	name           string
	clientID       string
	ours           string // spBv1.0/{site}/
	ncmd, dcmd     string // NCMD/{agent}, DCMD/{agent}/, without ours
	node, ofDevice string // {agent}, {agent}/
}

// Of are the rights of a user; name is the agent's where it is one.
func Of(kind Kind, site, name string) Rights {
	return Rights{kind: kind, name: name, clientID: points.AgentClientID(site, name), ours: sparkplug.Namespace + "/" + site + "/",
		ncmd: "NCMD/" + name, dcmd: "DCMD/" + name + "/", node: name, ofDevice: name + "/"}
}

// Kind is the kind of user.
func (r Rights) Kind() Kind { return r.kind }

// Name is the user's.
func (r Rights) Name() string { return r.name }

// MayBe tells whether the connection may call itself so. An agent has one client id, which the broker would otherwise let
// anybody take from it, and with it its connection.
func (r Rights) MayBe(clientID string) bool {
	switch r.kind {
	case Server:
		return true
	case Agent:
		return clientID == r.clientID
	case Observer:
		return !strings.HasPrefix(clientID, reserved)
	}
	return false
}

// MayPublish tells whether a message, or a will, may go out under a topic: of an agent its own births, data and deaths, and no
// command, no STATE. It allocates nothing.
func (r Rights) MayPublish(topic string) bool {
	if r.kind == Server {
		return true
	}
	if r.kind != Agent {
		return false
	}
	rest, ours := strings.CutPrefix(topic, r.ours)
	kind, rest, more := strings.Cut(rest, "/")
	if !ours || !more {
		return false
	}
	switch sparkplug.Kind(kind) {
	case sparkplug.NodeBirth, sparkplug.NodeData, sparkplug.NodeDeath:
		return rest == r.node
	case sparkplug.DeviceBirth, sparkplug.DeviceData, sparkplug.DeviceDeath:
		device, mine := strings.CutPrefix(rest, r.ofDevice)
		return mine && device != "" && !strings.ContainsAny(device, "/+#")
	}
	return false
}

// MayRead tells whether a filter may be subscribed to, or a message of a topic handed out: of an agent its own commands and
// the STATE of hosts. It allocates nothing.
func (r Rights) MayRead(filter string) bool {
	switch r.kind {
	case Server, Observer:
		return true
	case Agent:
	default:
		return false
	}
	const state = sparkplug.Namespace + "/" + string(sparkplug.HostState) + "/"
	if host, ok := strings.CutPrefix(filter, state); ok {
		return host != "" && host != "#" && !strings.Contains(host, "/")
	}
	rest, ours := strings.CutPrefix(filter, r.ours)
	if !ours {
		return false
	}
	if device, ok := strings.CutPrefix(rest, r.dcmd); ok {
		return device != "" && !strings.Contains(device, "/")
	}
	return rest == r.ncmd
}
