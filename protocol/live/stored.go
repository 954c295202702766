package live

// A Spread sums up readings by step of time: each list has one entry a step, null where there was no such reading in it.
type Spread struct {
	N            []int      `json:"n"`                       // how many readings
	MinPa        []*float64 `json:"min_pa,omitempty"`        // absent for a handle that is a switch
	MaxPa        []*float64 `json:"max_pa,omitempty"`        // as min_pa
	MeanPa       []*float64 `json:"mean_pa,omitempty"`       // as min_pa
	PressedShare []*float64 `json:"pressed_share,omitempty"` // for a handle that is a switch: share of the readings that say pressed
}

// A Trace is one point's readings by step. A step without any reading, be it good, out of range or without reply, is a gap:
// nothing is stored of it.
type Trace struct {
	Point      string  `json:"point"`
	Good       Spread  `json:"good"`
	OutOfRange *Spread `json:"out_of_range,omitempty"` // beyond the gauge's limits, with the values that it gave all the same (0 where that was no number); absent: none in any step
	NoReply    []int   `json:"no_reply,omitempty"`     // how often the gauge did not answer; absent: always did
}

// An Epoch is a stretch in which an agent's clock ran on without a step.
type Epoch struct {
	Epoch     uint64   `json:"epoch"`
	ShiftS    *float64 `json:"shift_s,omitempty"` // what was added to the agent's times, because its clock was wrong; absent: nothing
	Estimated bool     `json:"estimated"`         // nobody could measure that clock: of its readings the order is right, the time is not
}

// A History is what is stored of a pot's readings, summed up by steps of time. It describes the past: it says nothing of
// what the vessel holds now.
type History struct {
	Name string `json:"name"`
	Site string `json:"site"`

	Simulated *bool   `json:"simulated,omitempty"` // as the pot's agent says at present, for what is stored does not tell; absent: the agent was not heard since the server started
	From      string  `json:"from"`                // taken in
	To        string  `json:"to"`                  // left out
	StepS     float64 `json:"step_s"`              // the first step begins at from; the last may be cut short by to
	Steps     int     `json:"steps"`

	Epochs []Epoch `json:"epochs"`          // of the agent's clock, that were met; a new one begins where the clock was set, so of more than one the times may overlap
	Traces []Trace `json:"traces"`          // in the order of the air; a point without any reading in the range has none. A control that was made a switch within it has two
	Fault  string  `json:"fault,omitempty"` // what is wrong with what is stored at present, so that the newest may be missing here; absent: nothing is known to be

	ServerT string `json:"server_t"`
}

// A Blowdown is the vent after a release.
type Blowdown struct {
	P0Pa       float64  `json:"p0_pa"`                 // vessel at the release
	TauS       *float64 `json:"tau_s,omitempty"`       // time constant of its choked part, isothermal-equivalent at 293.15 K, the nozzle's path removed
	ResidualPa *float64 `json:"residual_pa,omitempty"` // mean of the first 3 s within the limit; absent: they did not come before the next press
	SettledS   *float64 `json:"settled_s,omitempty"`   // from the release to those 3 s

	Healthy *VentEnvelope `json:"healthy,omitempty"` // the slowest healthy vent that it was judged by at the time; absent: it was not timed, or is from before these were kept
}

// Contents are what a vessel held over a cycle, shares of its capacity.
type Contents struct {
	Before float64 `json:"before"` // at the press
	Left   float64 `json:"left"`   // at the cycle's end
	Low    float64 `json:"low"`    // 80 % interval of left
	High   float64 `json:"high"`   // as low
}

// A Cycle is one press of the handle and the vent after it, as it was recorded. It says nothing of what the vessel holds now.
type Cycle struct {
	Kind       string    `json:"kind"`
	Pot        string    `json:"pot"`
	T          string    `json:"t"` // its end: with the vent, or with the next press
	Press      string    `json:"press"`
	Release    string    `json:"release"`
	BlastS     float64   `json:"blast_s"`
	Inferred   bool      `json:"inferred"` // told by the hose point, for want of a control point
	Vent       Blowdown  `json:"vent"`
	AbrasiveKg *float64  `json:"abrasive_kg,omitempty"` // that went through the metering valve; absent: not known
	Contents   *Contents `json:"contents,omitempty"`    // absent: not known, or from before these were kept
	Late       bool      `json:"late"`                  // made from readings that came afterwards
	Incomplete bool      `json:"incomplete"`            // readings between press and end are missing, so its figures may be wrong
}

// Cycles is a page of cycles, by their press.
type Cycles struct {
	Cycles []Cycle `json:"cycles"`
	Paging
}

// A Use is how much abrasive the presses of a stretch of time took. A press counts where it began.
type Use struct {
	From      string   `json:"from"`
	To        string   `json:"to"`
	UsedKg    float64  `json:"used_kg"`               // through the metering valve, by the presses of which it is known: an estimate
	BlastS    float64  `json:"blast_s"`               // of all presses
	KgPerHour *float64 `json:"kg_per_hour,omitempty"` // of blasting, by the presses of which it is known; absent: there is none
	Presses   int      `json:"presses"`
	Unknown   int      `json:"unknown"` // presses of which it is not known, as before the first fill was seen or with air alone: used_kg leaves them out
}

// An Abrasive is how much abrasive a pot used in a range of time, a shift for example, and in each hour of it. It is reckoned from recorded presses.
type Abrasive struct {
	Name string `json:"name"`
	Site string `json:"site"`

	Simulated *bool `json:"simulated,omitempty"` // as the pot's agent says at present, for what is stored does not tell; absent: the agent was not heard since the server started
	All       Use   `json:"all"`
	Hours     []Use `json:"hours"` // each an hour from the beginning of the range on, the last cut short by its end; hours without a press are left out

	Fault   string `json:"fault,omitempty"` // why records are not stored at present, so that the newest may be missing here; absent: nothing is wrong
	ServerT string `json:"server_t"`
}

// A StoredBaseline is what a person recorded, and what a pot's losses are told against since then. Older ones stay in the list.
type StoredBaseline struct {
	ID       string    `json:"id"` // ULID
	Pot      string    `json:"pot"`
	T        string    `json:"t"`
	How      string    `json:"how"`       // ritual, commissioned
	AirOnly  bool      `json:"air_only"`  // with the metering shut; else with abrasive as usual
	PointsPa Pressures `json:"points_pa"` // gauge, in steady blasting
	Seconds  int       `json:"seconds"`   // of steady blasting behind it; 0: written down
	By       string    `json:"by"`        // person
	Note     string    `json:"note,omitempty"`
}

// StoredBaselines is a page of baselines, by their instant.
type StoredBaselines struct {
	Baselines []StoredBaseline `json:"baselines"`
	Paging
}

// A NewBaseline is what is posted to record a baseline. Without points_pa the last steady blast is declared to be one (a ritual); with them
// it is one that was written down (commissioned).
type NewBaseline struct {
	AirOnly  bool       `json:"air_only,omitempty"`  // with the metering shut; else with abrasive as usual
	PointsPa *Pressures `json:"points_pa,omitempty"` // gauge, all of one instant of steady blasting
	By       string     `json:"by"`                  // person
	Note     string     `json:"note,omitempty"`
}

// A NewService is what is posted to record work on a pot. It counts from now on.
type NewService struct {
	Part string `json:"part"` // separator, valve, mixing, hose, exhaust, bore
	Work string `json:"work"` // as cleaned, replaced; drained: the separator was emptied of water
	By   string `json:"by"`   // person
	Note string `json:"note,omitempty"`
}

// A Refill is abrasive put into a pot.
type Refill struct {
	ID     string   `json:"id"` // ULID
	Pot    string   `json:"pot"`
	T      string   `json:"t"`
	MassKg *float64 `json:"mass_kg,omitempty"` // absent: not known
	By     string   `json:"by,omitempty"`      // person; absent: told by the engine
	Note   string   `json:"note,omitempty"`
}

// Refills is a page of refills, by their instant.
type Refills struct {
	Refills []Refill `json:"refills"`
	Paging
}

// A Service is work on a pot.
type Service struct {
	ID   string `json:"id"` // ULID
	Pot  string `json:"pot"`
	T    string `json:"t"`
	Part string `json:"part"` // as separator, exhaust, nozzle
	Work string `json:"work"` // as cleaned, replaced
	By   string `json:"by"`   // person
	Note string `json:"note,omitempty"`
}

// Services is a page of services, by their instant.
type Services struct {
	Services []Service `json:"services"`
	Paging
}

// A Shift is a stretch of work on the site.
type Shift struct {
	ID   string `json:"id"` // ULID
	Name string `json:"name,omitempty"`
	From string `json:"from"`
	To   string `json:"to,omitempty"` // absent: it goes on
	By   string `json:"by,omitempty"` // person who answers for it
	Note string `json:"note,omitempty"`
}

// Shifts is a page of shifts, by their beginning.
type Shifts struct {
	Shifts []Shift `json:"shifts"`
	Paging
}

// A Loss is a range of positions of an agent's journal whose readings will never be stored.
type Loss struct {
	Agent   string `json:"agent"`
	Journal string `json:"journal"` // its id
	From    uint64 `json:"from"`    // position, taken in
	To      uint64 `json:"to"`      // position, left out
	T       string `json:"t"`       // when it was found, by the server's clock
	Why     string `json:"why"`
}

// Losses is a page of losses, by the instant at which they were found.
type Losses struct {
	Losses []Loss `json:"losses"`
	Paging
}

// Paging is what all pages of records have in common.
type Paging struct {
	Next    string `json:"next,omitempty"`  // pass as after= for the next page; absent: this is the last
	Fault   string `json:"fault,omitempty"` // why records are not stored at present, so that the newest may be missing here; absent: nothing is wrong
	ServerT string `json:"server_t"`
}
