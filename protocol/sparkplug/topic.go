package sparkplug

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode/utf8"

	"gritwatch/protocol/si"
)

// Namespace is the first level of every topic.
const Namespace = "spBv1.0"

// A Kind is a type of message, the third level of a topic (STATE: the second).
type Kind string

// The types of message.
const (
	NodeBirth     Kind = "NBIRTH"
	NodeDeath     Kind = "NDEATH"
	NodeData      Kind = "NDATA"
	NodeCommand   Kind = "NCMD"
	DeviceBirth   Kind = "DBIRTH"
	DeviceDeath   Kind = "DDEATH"
	DeviceData    Kind = "DDATA"
	DeviceCommand Kind = "DCMD"
	HostState     Kind = "STATE"
)

// OfDevice tells whether topics of this kind name a device.
func (k Kind) OfDevice() bool {
	return k == DeviceBirth || k == DeviceDeath || k == DeviceData || k == DeviceCommand
}

func (k Kind) ofNode() bool {
	return k == NodeBirth || k == NodeDeath || k == NodeData || k == NodeCommand
}

// A Topic says who speaks of what. Device stands only where Kind.OfDevice; Host only with HostState, and then alone.
type Topic struct {
	Kind                Kind
	Group, Node, Device string
	Host                string
}

// String is the topic as it travels.
func (t Topic) String() string {
	switch {
	case t.Kind == HostState:
		return Namespace + "/STATE/" + t.Host
	case t.Kind.OfDevice():
		return Namespace + "/" + t.Group + "/" + string(t.Kind) + "/" + t.Node + "/" + t.Device
	}
	return Namespace + "/" + t.Group + "/" + string(t.Kind) + "/" + t.Node
}

// maxID bounds an id, bytes.
const maxID = 128

// CheckID tells whether an id may stand as a level of a topic: UTF-8, not empty, at most 128 bytes, none of + / #,
// no control characters; STATE is taken.
func CheckID(id string) error {
	switch {
	case id == "":
		return fmt.Errorf("an id is empty")
	case len(id) > maxID:
		return fmt.Errorf("id %.20q… has %d bytes; the most is %d", id, len(id), maxID)
	case !utf8.ValidString(id):
		return fmt.Errorf("id %q is not UTF-8", id)
	case strings.ContainsAny(id, "+/#"):
		return fmt.Errorf("id %q has one of + / # in it, which divide topics", id)
	case id == string(HostState):
		return fmt.Errorf("id STATE is taken by the state of hosts")
	}
	for _, r := range id {
		if r < 0x20 || r >= 0x7f && r < 0xa0 {
			return fmt.Errorf("id %q has a control character in it", id)
		}
	}
	return nil
}

// ParseTopic reads a topic and checks its ids.
func ParseTopic(topic string) (Topic, error) {
	if len(topic) > 4*maxID+32 {
		return Topic{}, fmt.Errorf("topic %.40q… is longer than any of Sparkplug", topic)
	}
	levels := strings.Split(topic, "/")
	if levels[0] != Namespace {
		return Topic{}, fmt.Errorf("topic %q does not begin with %s/", topic, Namespace)
	}
	var t Topic
	var ids []string
	if len(levels) == 3 && levels[1] == string(HostState) {
		t = Topic{Kind: HostState, Host: levels[2]}
		ids = levels[2:]
	} else {
		if len(levels) < 4 || len(levels) > 5 {
			return Topic{}, fmt.Errorf("topic %q has %d levels; those of Sparkplug have 4 or 5", topic, len(levels))
		}
		t = Topic{Kind: Kind(levels[2]), Group: levels[1], Node: levels[3]}
		ids = []string{t.Group, t.Node}
		if len(levels) == 5 {
			t.Device = levels[4]
			ids = append(ids, t.Device)
		}
		if !t.Kind.OfDevice() && !t.Kind.ofNode() {
			return Topic{}, fmt.Errorf("topic %q has %q where a type of message should be", topic, levels[2])
		}
		if t.Kind.OfDevice() != (len(levels) == 5) {
			return Topic{}, fmt.Errorf("topic %q: a %s with %d levels", topic, t.Kind, len(levels))
		}
	}
	for _, id := range ids {
		if err := CheckID(id); err != nil {
			return Topic{}, fmt.Errorf("topic %q: %w", topic, err)
		}
	}
	return t, nil
}

// A State is a host's own life, in JSON on its STATE topic.
type State struct {
	Online bool
	At     si.Instant // of the CONNECT that it belongs to, cut to ms
}

type stateJSON struct {
	Online    *bool  `json:"online"`
	Timestamp *int64 `json:"timestamp"`
}

// Encode is the state's payload.
func (s State) Encode() []byte {
	ms := int64(s.At) / 1000
	text, err := json.Marshal(stateJSON{&s.Online, &ms})
	if err != nil {
		panic("sparkplug: state does not encode: " + err.Error())
	}
	return text
}

// DecodeState reads a STATE payload: online a boolean, timestamp an integer of ms.
func DecodeState(payload []byte) (State, error) {
	var j stateJSON
	if len(payload) > 4096 {
		return State{}, fmt.Errorf("STATE payload of %d bytes; the most is 4096", len(payload))
	}
	if err := json.Unmarshal(payload, &j); err != nil {
		return State{}, fmt.Errorf("STATE payload: %w", err)
	}
	if j.Online == nil || j.Timestamp == nil || *j.Timestamp < 0 || *j.Timestamp > maxMillis {
		return State{}, fmt.Errorf("STATE payload %q lacks online or a timestamp in ms", payload)
	}
	return State{*j.Online, si.Instant(*j.Timestamp * 1000)}, nil
}
