// Package live holds the messages between server and page: the pots of the HTTP API and the frames of the
// WebSocket. Field names carry their unit; unknown values are absent, never zero.
package live

import "net/http"

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

// Ratios are resistances of segments over their healthy baseline.
type Ratios struct {
	Separator *float64 `json:"separator,omitempty"`
	Valve     *float64 `json:"valve,omitempty"`
	Mixing    *float64 `json:"mixing,omitempty"`
	Hose      *float64 `json:"hose,omitempty"`
}

// Quantiles are of an estimate: it is under p10 in one of ten cases, under p90 in nine.
type Quantiles struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

// A Cost is what a loss of pressure costs at the nozzle: 1.5 % of the work for each psi, common practice, no source; straight on beyond the target too, so that
// parts add up.
type Cost struct {
	Pa     float64  `json:"pa"`                // negative: less is lost than at the baseline
	Share  float64  `json:"share"`             // of the work
	MoneyH *float64 `json:"money_h,omitempty"` // an hour of blasting, in the site's currency; absent: the site has given no costs
}

// A SegmentLoss is what a segment loses more than at its baseline. The three parts add up to it; they are absent where too little is lost to tell.
type SegmentLoss struct {
	From         string   `json:"from"` // point where it begins: of several segments with no point between, that of the first
	Excess       Cost     `json:"excess"`
	FlowPa       *float64 `json:"flow_pa,omitempty"`       // because more air flows
	MixPa        *float64 `json:"mix_pa,omitempty"`        // because more abrasive flows with it
	ResistancePa *float64 `json:"resistance_pa,omitempty"` // because the segment lets less through
}

// An Account tells where the nozzle's pressure is lost: fall is sag and the excess of all segments.
type Account struct {
	Fall      Cost         `json:"fall"` // the baseline's pressure at the nozzle less the present one
	Sag       Cost         `json:"sag"`  // the baseline's pressure at the first point less the present one: the supply's part
	SagAt     string       `json:"sag_at"`
	Separator *SegmentLoss `json:"separator,omitempty"`
	Valve     *SegmentLoss `json:"valve,omitempty"`
	Mixing    *SegmentLoss `json:"mixing,omitempty"`
	Hose      *SegmentLoss `json:"hose,omitempty"`
	Short     *Cost        `json:"short,omitempty"`    // the target less the baseline's pressure at the nozzle: a row of its own
	Currency  string       `json:"currency,omitempty"` // of money_h
}

// A Doubt tells how far off a pot's numbers of the same names may be, up or down. None of it says anything of opening a vessel.
type Doubt struct {
	PressurePa Pressures `json:"pressure_pa,omitzero"` // of readings: at most, by what is declared of their gauges
	NozzlePa   *float64  `json:"nozzle_pa,omitempty"`  // of a computed pressure at the nozzle: farther in one of ten cases up, in one down
	Losses     *Account  `json:"losses,omitempty"`     // as nozzle_pa; of resistance_pa beside what the excess itself is off: flow_pa and mix_pa together are off as much, the other way
}

// A Baseline says what losses and resistances are told against.
type Baseline struct {
	How         string `json:"how"`                // learned, ritual, commissioned
	T           string `json:"t,omitempty"`        // when it was measured
	Seconds     int    `json:"seconds"`            // of steady blasting behind it; 0: written down by a person
	Provisional bool   `json:"provisional"`        // learned: as healthy as the pot was
	AirOnly     string `json:"air_only,omitempty"` // how the air-only one came to be, as how; absent: there is none
}

// A Condensate is what the moisture separator has caught since it was drained: an estimate, from the weather and the temperatures that the site
// states.
type Condensate struct {
	Since   string  `json:"since"`
	AirKg   float64 `json:"air_kg"`
	WaterKg float64 `json:"water_kg"`
	Due     bool    `json:"due"` // it is to be drained
}

// A Wear is the state of a part that wears or clogs, against its baseline.
type Wear struct {
	Index   float64  `json:"index"`             // of a segment its resistance, of the exhaust its conductance, of the bore its diameter, over the baseline's
	SD      float64  `json:"sd"`                // standard deviation of index
	Due     bool     `json:"due"`               // past its limit, or as good as
	Limit   float64  `json:"limit,omitempty"`   // of index, at which the part is due
	TrendH  *float64 `json:"trend_h,omitempty"` // change of index an hour of blasting
	Changed string   `json:"changed,omitempty"` // when it last changed in a step
	T10     string   `json:"t_10,omitempty"`    // when it will pass its limit: not before this in nine of ten cases
	T50     string   `json:"t_50,omitempty"`    // as likely before as after this
	T90     string   `json:"t_90,omitempty"`    // before this in nine of ten; absent: it may never
}

// Wears are those of all parts of which anything is known.
type Wears struct {
	Separator *Wear `json:"separator,omitempty"`
	Valve     *Wear `json:"valve,omitempty"`
	Mixing    *Wear `json:"mixing,omitempty"`
	Hose      *Wear `json:"hose,omitempty"`
	Exhaust   *Wear `json:"exhaust,omitempty"`
	Bore      *Wear `json:"bore,omitempty"`
}

// Figures are what is estimated of a pot's flow, contents, losses and wear. None of them says anything of opening a vessel.
type Figures struct {
	AirKgS      *float64    `json:"air_kg_s,omitempty"`      // through the nozzle; absent unless blasting
	LevelKg     *float64    `json:"level_kg,omitempty"`      // abrasive left
	LevelSdKg   *float64    `json:"level_sd_kg,omitempty"`   // standard deviation
	LevelShare  *float64    `json:"level_share,omitempty"`   // of the pot's capacity
	LevelLow    *float64    `json:"level_low,omitempty"`     // 80 % interval of level_share
	LevelHigh   *float64    `json:"level_high,omitempty"`    // as level_low
	FlowKgS     *float64    `json:"flow_kg_s,omitempty"`     // abrasive; absent unless blasting
	Loading     *float64    `json:"loading,omitempty"`       // abrasive over air; absent unless blasting
	UsedKg      *float64    `json:"used_kg,omitempty"`       // abrasive since the server began to follow the pot
	EmptyS      *Quantiles  `json:"empty_s,omitempty"`       // blasting seconds left
	EmptyClockS *Quantiles  `json:"empty_clock_s,omitempty"` // seconds left on the clock, by the crew's recent duty
	BoreMm      *float64    `json:"bore_mm,omitempty"`       // of the nozzle
	BoreSdMm    *float64    `json:"bore_sd_mm,omitempty"`    // standard deviation
	Resistance  Ratios      `json:"resistance,omitzero"`
	Exhaust     *float64    `json:"exhaust,omitempty"` // conductance over its baseline
	Losses      *Account    `json:"losses,omitempty"`  // absent unless blasting
	Baseline    *Baseline   `json:"baseline,omitempty"`
	Wear        Wears       `json:"wear,omitzero"`
	Condensate  *Condensate `json:"condensate,omitempty"`
	Findings    []string    `json:"findings,omitempty"` // what has changed, of a closed list
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
	Figures

	Vent  *RunningVent `json:"vent,omitempty"`  // absent: none runs, or more pots are asked for than have it sent; over the live connection one that is held has it all the same
	Doubt *Doubt       `json:"doubt,omitempty"` // absent: nothing is read or told, or more pots are asked for than have it sent

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
	// Alarms are all open alarms of the site, in the order in which people should look at them. Absent: they are as the frame before
	// had them. A snapshot always has them.
	Alarms []StandingAlarm `json:"alarms,omitzero"`
	// AlarmsMore is how many open alarms are left out at the end of Alarms; absent: none, or they are as the frame before had them.
	AlarmsMore int `json:"alarms_more,omitempty"`
	// Faults are what keeps the server from doing its whole work, as a full disk: one sentence each. Absent: nothing does. The list
	// is whole in each frame.
	Faults []string `json:"faults,omitempty"`
}

// A Request is one message of the page: a subscription (absent: all pots), an acknowledgement, something that a person does with an
// alarm, or several of these.
type Request struct {
	Subscribe []string    `json:"subscribe,omitempty"`
	Ack       uint64      `json:"ack,omitempty"`
	Act       *ActRequest `json:"act,omitempty"`
}

// MostAct is the most that is taken of an act, posted or over the WebSocket, bytes.
const MostAct = 16 << 10

// An ActRequest asks that something is done with an alarm, as a POST does; an Outcome with the same request answers it.
type ActRequest struct {
	Request string `json:"request"` // any text of 64 characters at most by which the page knows the outcome
	Alarm   string `json:"alarm"`   // id
	Deed    string `json:"deed"`
	AlarmAct
}

// An Outcome is what the server answers to an ActRequest, to the page that has asked alone: done or refused. It has no number and is not
// acknowledged, and frames do not wait for it. A message that cannot be read gets one too, and changes nothing.
type Outcome struct {
	Type    string         `json:"type"`
	Request string         `json:"request,omitempty"` // that of the ActRequest; absent: it could not be read
	Alarm   *StandingAlarm `json:"alarm,omitempty"`   // of what is done: how it stands now; absent: it is not open
	Fault   string         `json:"fault,omitempty"`   // why what was done is not stored yet, though it is done; absent: nothing is wrong
	Problem *Problem       `json:"problem,omitempty"` // of what is refused: why, as the POST answers
}

// Refused is the outcome of what was not done.
func Refused(request string, status int, detail string) Outcome {
	return Outcome{Type: "refused", Request: request, Problem: &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}}
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
