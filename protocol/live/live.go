// Package live holds the messages between server and page: the pots of the HTTP API and the frames of the
// WebSocket. Field names carry their unit; unknown values are absent, never zero.
package live

// An Answer is what may be said of opening a vessel: a word, and codes of why, of closed lists that package vent has. Its
// age is that of the newest sample behind the word, s, in the worst case, at sending. It is absent while no sample stands
// behind the word.
type Answer struct {
	Word    string   `json:"word"`
	Because []string `json:"because"`
	AgeS    *float64 `json:"age_s,omitempty"`
}

// Pressures are gauge pressures by measuring point, Pa. A point without a fresh, good reading is absent.
type Pressures struct {
	Supply    *float64 `json:"supply,omitempty"`
	Separator *float64 `json:"separator,omitempty"`
	Vessel    *float64 `json:"vessel,omitempty"`
	Hose      *float64 `json:"hose,omitempty"`
	Nozzle    *float64 `json:"nozzle,omitempty"`
	Control   *float64 `json:"control,omitempty"`
}

// Drops are pressure losses by segment, Pa, between readings brought to one instant.
type Drops struct {
	Separator *float64 `json:"separator,omitempty"`
	Valve     *float64 `json:"valve,omitempty"`
	Mixing    *float64 `json:"mixing,omitempty"`
	Hose      *float64 `json:"hose,omitempty"`
}

// A Pot is the newest estimate of one pot.
type Pot struct {
	Kind string `json:"kind"` // "estimate"
	Name string `json:"name"`
	Site string `json:"site"`

	T         string   `json:"t,omitempty"`     // RFC 3339 with ms: instant of the newest sample
	AgeS      *float64 `json:"age_s,omitempty"` // its age, s, worst case, at sending
	Simulated bool     `json:"simulated"`       // readings come from a simulator; never dropped from a screen
	State     string   `json:"state"`           // at-rest, charging, blasting, venting, held, unknown
	StateForS *float64 `json:"state_for_s,omitempty"`

	PressurePa Pressures         `json:"pressure_pa"`
	Quality    map[string]string `json:"quality,omitempty"` // points whose reading is not good: out-of-range, no-reply, old
	DropPa     Drops             `json:"drop_pa"`

	NozzlePa       *float64 `json:"nozzle_pa,omitempty"`
	NozzleMeasured bool     `json:"nozzle_measured"`
	Production     *float64 `json:"production,omitempty"` // share of the work at target; absent unless blasting

	Answer Answer `json:"answer"`
	Air    string `json:"air"` // air to the pot, for the VENTED block: on, off, unknown

	// What the page needs of the configuration.
	TargetPa *float64 `json:"target_pa,omitempty"`
	RatedPa  float64  `json:"rated_pa"`
	Unit     string   `json:"unit"`   // of the screen: psi, bar or kPa
	Points   []string `json:"points"` // configured points, in the order of the air
	Agent    string   `json:"agent"`
}

// A Frame is one message of the server on the WebSocket: a snapshot (all subscribed pots; the page forgets others) or a
// change (those that changed). Its number seq counts up by one on a connection, from 1. One frame is in flight: the next is
// sent after the page has acknowledged this one.
type Frame struct {
	Type    string `json:"type"`
	Seq     uint64 `json:"seq"`
	ServerT string `json:"server_t"` // RFC 3339 with ms
	Pots    []Pot  `json:"pots"`
	// Faults are what keeps the server from doing its whole work, as a full disk: one sentence each. Absent: nothing does. The list
	// is whole in each frame.
	Faults []string `json:"faults,omitempty"`
}

// A Request is one message of the page: a subscription (absent: all pots), an acknowledgement, or both.
type Request struct {
	Subscribe []string `json:"subscribe,omitempty"`
	Ack       uint64   `json:"ack,omitempty"`
}

// Problem is an error document of RFC 9457.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// Pots is the body of GET /api/v1/pots.
type Pots struct {
	Pots    []Pot  `json:"pots"`
	ServerT string `json:"server_t"`
	Next    string `json:"next,omitempty"` // pass as after= for the next page
}
