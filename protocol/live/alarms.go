package live

import "encoding/json"

// A StandingAlarm is one that is open, as it stands. It says nothing of whether a vessel may be opened, nor does its end.
type StandingAlarm struct {
	ID       string   `json:"id"`              // ULID
	Pot      string   `json:"pot,omitempty"`   // absent: of an agent
	Agent    string   `json:"agent,omitempty"` // absent: of a pot
	Alarm    string   `json:"alarm"`           // its kind, as vessel-held
	Priority string   `json:"priority"`
	State    string   `json:"state"`
	Raised   string   `json:"raised"`
	Since    string   `json:"since"`           // of state
	Active   bool     `json:"active"`          // its condition stands
	Loud     bool     `json:"loud"`            // it is to sound: critical, in sight, its condition stands, and nobody has acknowledged it
	Point    string   `json:"point,omitempty"` // of a gauge
	Fault    string   `json:"fault,omitempty"` // in which way a gauge goes wrong
	By       string   `json:"by,omitempty"`    // person who has acknowledged it; absent: nobody
	ByT      string   `json:"by_t,omitempty"`
	Until    string   `json:"until,omitempty"` // end of a shelf
	Cause    string   `json:"cause,omitempty"` // id of the open alarm that it follows from
	First    bool     `json:"first"`           // no other alarm of the pot stood when it was raised
	Can      []string `json:"can"`             // what a person may do with it now
	Last     string   `json:"last,omitempty"`  // id of the newest thing that happened with it, a comment too; absent: not known
}

// An AlarmText is what people are told of an alarm.
type AlarmText struct {
	Says        string   `json:"says"`
	Consequence string   `json:"consequence"` // what it leads to if nobody acts
	Causes      []string `json:"causes"`      // the likeliest first
	Do          []string `json:"do"`          // in this order
}

// A VentTrace is the vessel's pressure since a release.
type VentTrace struct {
	TS  []float64 `json:"t_s"`  // since the release
	PPa []float64 `json:"p_pa"` // gauge
}

// A VentEnvelope is the slowest healthy vent: the absolute pressure falls from p0_pa as exp(-rate_per_s (t - from_s)) while it is over down_to_pa; from tail_pa on, where
// that is told, at tail_rate_per_s.
type VentEnvelope struct {
	FromS        float64 `json:"from_s"` // since the release, when the exhaust is open at the latest
	P0Pa         float64 `json:"p0_pa"`  // gauge
	RatePerS     float64 `json:"rate_per_s"`
	TailPa       float64 `json:"tail_pa,omitempty"` // gauge; a vent that is held against what is expected of it may take longer towards its end
	TailRatePerS float64 `json:"tail_rate_per_s,omitempty"`
	DownToPa     float64 `json:"down_to_pa"`           // gauge
	AmbientPa    float64 `json:"ambient_pa,omitempty"` // absolute, which gauge pressures are over; absent: standard, as far as is known
}

// An AlarmTrend is how a part goes.
type AlarmTrend struct {
	Value float64 `json:"value"` // over its healthy baseline
	SD    float64 `json:"sd,omitempty"`
	Limit float64 `json:"limit,omitempty"`
	P10   string  `json:"p10,omitempty"` // when it passes the limit
	P50   string  `json:"p50,omitempty"`
	P90   string  `json:"p90,omitempty"`
}

// An AlarmContents is the abrasive in the vessel.
type AlarmContents struct {
	Share  *float64   `json:"share,omitempty"` // of capacity
	Low    *float64   `json:"low,omitempty"`   // 80 % interval of share
	High   *float64   `json:"high,omitempty"`
	Limit  float64    `json:"limit,omitempty"`   // of share
	EmptyS *Quantiles `json:"empty_s,omitempty"` // of blasting
}

// An AlarmEvidence is what shows an alarm. What is not known, or is not of its kind, is absent.
type AlarmEvidence struct {
	PPa        []float64      `json:"p_pa,omitempty"`        // where it began, and when it was found; of supply-below-vessel the supply and the vessel; of over-pressure, supply-low and nozzle-low the pressure alone
	POf        string         `json:"p_of,omitempty"`        // point that p_pa and trace are of; absent: the vessel
	Computed   bool           `json:"computed,omitempty"`    // p_pa is an estimate, and no reading
	LimitPa    float64        `json:"limit_pa,omitempty"`    // that the last of p_pa is past
	TargetPa   float64        `json:"target_pa,omitempty"`   // of the nozzle
	BaselinePa float64        `json:"baseline_pa,omitempty"` // of the supply while the pot blasts healthy
	RatePerS   []float64      `json:"rate_per_s,omitempty"`  // of a slow vent: its own, and the slowest healthy one
	ForS       float64        `json:"for_s,omitempty"`       // when it was found: since the release, the press, or the last good reading
	LimitS     float64        `json:"limit_s,omitempty"`     // of for_s, silent_s, the size of ahead_s, and of contents' empty_s
	Trace      *VentTrace     `json:"trace,omitempty"`       // since the release
	Envelope   *VentEnvelope  `json:"envelope,omitempty"`
	Because    []string       `json:"because,omitempty"` // codes of the answer that tell why
	Blind      string         `json:"blind,omitempty"`   // fault of the vessel's gauge, by which it does not show the pressure
	Point      string         `json:"point,omitempty"`   // of a gauge
	Fault      string         `json:"fault,omitempty"`   // its kind
	Other      string         `json:"other,omitempty"`   // the gauge, or the pot, that it seems to be exchanged with
	Size       *float64       `json:"size,omitempty"`    // of the fault, Pa: of stuck and out-of-range the reading, of zero-drift the offset, of swapped how far the two stand the wrong way round, of noisy a standard deviation or spike; of slow-port the lag, s
	Trend      *AlarmTrend    `json:"trend,omitempty"`
	Contents   *AlarmContents `json:"contents,omitempty"`
	WaterKg    float64        `json:"water_kg,omitempty"` // since the last drain
	LimitKg    float64        `json:"limit_kg,omitempty"` // of water_kg
	SilentS    float64        `json:"silent_s,omitempty"` // of an agent
	Safe       bool           `json:"safe,omitempty"`     // of an agent: the answer of all its pots was the good one when it was last heard
	AheadS     float64        `json:"ahead_s,omitempty"`  // of an agent's clock over the server's
	Late       bool           `json:"late,omitempty"`     // found in readings that came late
	Cause      string         `json:"cause,omitempty"`    // id of the alarm that it follows from
	First      bool           `json:"first,omitempty"`    // no other alarm of the pot stood when it was raised
	Word       string         `json:"word,omitempty"`     // of the answer, which lets a latched alarm go
	Until      string         `json:"until,omitempty"`    // of a shelf
	Note       string         `json:"note,omitempty"`     // of a person
}

// A Transition is a step in an alarm's life.
type Transition struct {
	ID       string          `json:"id"` // ULID
	T        string          `json:"t"`
	Event    string          `json:"event"`
	By       string          `json:"by,omitempty"`       // person
	Evidence json.RawMessage `json:"evidence,omitempty"` // what showed it, or a note: an AlarmEvidence
}

// An Alarm is one that was raised, with all its transitions.
type Alarm struct {
	ID          string         `json:"id"`              // ULID
	Pot         string         `json:"pot,omitempty"`   // absent: of an agent
	Agent       string         `json:"agent,omitempty"` // absent: of a pot
	Alarm       string         `json:"alarm"`           // as vessel-held
	Priority    string         `json:"priority"`        // critical, high, medium, low
	Raised      string         `json:"raised"`
	Ended       string         `json:"ended,omitempty"`    // absent: it is open
	Standing    *StandingAlarm `json:"standing,omitempty"` // how it stands; absent: it is not open
	Transitions []Transition   `json:"transitions"`        // the oldest first; of an open one with very many the newest
}

// Alarms is a page of alarms: by the instant at which they were raised; open ones in the order in which people should look at them.
type Alarms struct {
	Alarms []Alarm `json:"alarms"`
	Paging
}

// An AlarmDetail is one alarm with what shows it and what people are told of it.
type AlarmDetail struct {
	Alarm
	Evidence   AlarmEvidence `json:"evidence"` // of its newest beginning
	Text       AlarmText     `json:"text"`
	AnswerRule string        `json:"answer_rule"`     // stands beside every alarm, and beside the end of one
	Fault      string        `json:"fault,omitempty"` // why what was done is not stored yet, though it is done; absent: nothing is wrong
	ServerT    string        `json:"server_t"`
}

// An AlarmAct is what is posted to do something with an alarm.
type AlarmAct struct {
	By   string   `json:"by"`              // person
	Note string   `json:"note,omitempty"`  // a reset and a taking out of service need a reason; a comment is one
	ForS *float64 `json:"for_s,omitempty"` // of a shelf: how long, up to 12 hours
	Seen string   `json:"seen,omitempty"`  // last of the alarm as the person saw it: where it has begun again since, it is refused; absent: it is not held against
}

// AlarmCounts are numbers of alarms by priority.
type AlarmCounts struct {
	Critical int `json:"critical"`
	High     int `json:"high"`
	Medium   int `json:"medium"`
	Low      int `json:"low"`
}

// An AlarmSpan is the figures of a stretch of time up to now. It counts alarms as they come into sight.
type AlarmSpan struct {
	OverS      float64     `json:"over_s"` // what is counted: nobody knows of the time before the first alarm
	Alarms     int         `json:"alarms"`
	ByPriority AlarmCounts `json:"by_priority"`
	PerHour    float64     `json:"per_hour"`
	PerTen     float64     `json:"per_ten_minutes"`
	MostInTen  int         `json:"most_in_ten_minutes"`
	BusyShare  float64     `json:"busy_share"`  // of the ten minutes: those with more than flood_begins
	FloodShare float64     `json:"flood_share"` // of the time
	Floods     int         `json:"floods"`
}

// An AlarmSource is one alarm and how often it came into sight in the last day.
type AlarmSource struct {
	Pot   string  `json:"pot,omitempty"`
	Agent string  `json:"agent,omitempty"`
	Alarm string  `json:"alarm"`
	Point string  `json:"point,omitempty"`
	Fault string  `json:"fault,omitempty"`
	Times int     `json:"times"`
	Share float64 `json:"share"` // of all
}

// AlarmBenchmarks are those of ANSI/ISA-18.2 and IEC 62682 for one person who looks after all.
type AlarmBenchmarks struct {
	PerHour       float64 `json:"per_hour"`        // very likely acceptable; twice that can just be managed
	PerTen        float64 `json:"per_ten_minutes"` // as per_hour
	FloodBegins   int     `json:"flood_begins"`    // alarms in ten minutes: more is a flood
	FloodEnds     int     `json:"flood_ends"`      // alarms in ten minutes: less ends it
	FloodShare    float64 `json:"flood_share"`     // of the time, at most
	Stale         int     `json:"stale"`           // at any time, at most
	CriticalShare float64 `json:"critical_share"`  // of all alarms
	HighShare     float64 `json:"high_share"`
	MediumShare   float64 `json:"medium_share"`
	LowShare      float64 `json:"low_share"`
}

// AlarmFigures tell how well the alarms serve people.
type AlarmFigures struct {
	LastTen      int             `json:"last_ten_minutes"` // alarms that came into sight
	Flood        bool            `json:"flood"`            // the last ten minutes are one
	Day          AlarmSpan       `json:"day"`
	Month        AlarmSpan       `json:"month"`      // 30 days
	Worst        []AlarmSource   `json:"worst"`      // of the last day, ten at most
	Chattering   []AlarmSource   `json:"chattering"` // three times in a minute, in the last day
	Standing     AlarmCounts     `json:"standing"`   // in sight with their condition, now
	Waiting      AlarmCounts     `json:"waiting"`    // for an acknowledgement, now
	Stale        []string        `json:"stale"`      // ids of those in sight with their condition for over a day
	Shelved      int             `json:"shelved"`
	Suppressed   int             `json:"suppressed"`
	OutOfService int             `json:"out_of_service"`
	Benchmarks   AlarmBenchmarks `json:"benchmarks"`
	ServerT      string          `json:"server_t"`
}

// A RunningVent is the vent since the last release, until the next press. It says nothing of whether the vessel may be opened.
type RunningVent struct {
	Released string        `json:"released"`
	Trace    VentTrace     `json:"trace"`
	Envelope *VentEnvelope `json:"envelope,omitempty"` // absent: too little is known to tell
	Over     bool          `json:"over"`               // the pot is not in the state venting any more: the vent is over or stalls
}
