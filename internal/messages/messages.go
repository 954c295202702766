// Package messages says what the messages of protocol/live are made of, for whoever writes them down in another language:
// the page's types and the document of the API come from here, and so from the same Go types.
package messages

//go:generate go run ./docs

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
)

// A Message is one type of protocol/live.
type Message struct {
	Name   string
	Says   string // its comment; "" none
	Fields []Field
}

// A Field is one field of a message.
type Field struct {
	Name     string // in JSON
	Type     reflect.Type
	Optional bool // absent where it is empty or not known
	Closer   Closer
	Says     string // its comment; "" none
}

// Raw is the type of a field that holds any JSON.
var Raw = reflect.TypeFor[json.RawMessage]()

// A Closer says what a field can hold, where its Go type says less. The zero value says no more.
type Closer struct {
	List string // name of the closed list that the text, or each text of a slice or map, is from
	Keys string // name of the closed list that a map's keys are from
	Only string // the one text it holds
	Time bool   // an instant, RFC 3339 with ms or us, UTC
	Open bool   // a newer server may know more words than the list has: readers take any
}

// closer is by type and field. A name that no field bears is an error of All.
func closer() map[string]Closer {
	return map[string]Closer{
		"Answer.Word":     {List: "Word"},
		"Answer.Because":  {List: "Code", Open: true},
		"Pot.Kind":        {Only: "estimate"},
		"Pot.T":           {Time: true},
		"Pot.State":       {List: "State"},
		"Pot.Quality":     {List: "Quality", Keys: "Point"},
		"Pot.Air":         {List: "Air"},
		"Pot.Unit":        {List: "Unit"},
		"Pot.Points":      {List: "Point"},
		"Frame.Type":      {List: "FrameType"},
		"Outcome.Type":    {List: "OutcomeType"},
		"ActRequest.Deed": {List: "AlarmDeed"},

		"Figures.Findings": {List: "Finding", Open: true},
		"SegmentLoss.From": {List: "Point"},
		"Account.SagAt":    {List: "Point"},
		"Baseline.How":     {List: "BaselineKind"},
		"Baseline.AirOnly": {List: "BaselineKind"},
		"Baseline.T":       {Time: true},
		"Condensate.Since": {Time: true},
		"Wear.Changed":     {Time: true},
		"Wear.T10":         {Time: true},
		"Wear.T50":         {Time: true},
		"Wear.T90":         {Time: true},
		"Frame.ServerT":    {Time: true},
		"Pots.ServerT":     {Time: true},

		"History.From":           {Time: true},
		"History.To":             {Time: true},
		"History.ServerT":        {Time: true},
		"Trace.Point":            {List: "Point"},
		"Use.From":               {Time: true},
		"Use.To":                 {Time: true},
		"Abrasive.ServerT":       {Time: true},
		"Cycle.Kind":             {Only: "cycle"},
		"Cycle.T":                {Time: true},
		"Cycle.Press":            {Time: true},
		"Cycle.Release":          {Time: true},
		"Transition.T":           {Time: true},
		"Transition.Event":       {List: "AlarmEvent", Open: true},
		"Alarm.Raised":           {Time: true},
		"Alarm.Ended":            {Time: true},
		"Alarm.Alarm":            {List: "AlarmKind", Open: true},
		"Alarm.Priority":         {List: "Priority"},
		"AlarmDetail.ServerT":    {Time: true},
		"AlarmFigures.ServerT":   {Time: true},
		"AlarmSource.Alarm":      {List: "AlarmKind", Open: true},
		"AlarmSource.Point":      {List: "Point"},
		"AlarmSource.Fault":      {List: "GaugeFault", Open: true},
		"AlarmEvidence.Because":  {List: "Code", Open: true},
		"AlarmEvidence.Point":    {List: "Point"},
		"AlarmEvidence.POf":      {List: "Point"},
		"AlarmEvidence.Blind":    {List: "GaugeFault", Open: true},
		"AlarmEvidence.Fault":    {List: "GaugeFault", Open: true},
		"AlarmEvidence.Until":    {Time: true},
		"AlarmTrend.P10":         {Time: true},
		"AlarmTrend.P50":         {Time: true},
		"AlarmTrend.P90":         {Time: true},
		"StandingAlarm.Alarm":    {List: "AlarmKind", Open: true},
		"StandingAlarm.Priority": {List: "Priority"},
		"StandingAlarm.State":    {List: "AlarmState"},
		"StandingAlarm.Raised":   {Time: true},
		"StandingAlarm.Since":    {Time: true},
		"StandingAlarm.Point":    {List: "Point"},
		"StandingAlarm.Fault":    {List: "GaugeFault", Open: true},
		"StandingAlarm.ByT":      {Time: true},
		"StandingAlarm.Until":    {Time: true},
		"StandingAlarm.Can":      {List: "AlarmDeed", Open: true},
		"RunningVent.Released":   {Time: true},
		"Refill.T":               {Time: true},
		"Service.T":              {Time: true},
		"Shift.From":             {Time: true},
		"StoredBaseline.T":       {Time: true},
		"StoredBaseline.How":     {List: "BaselineKind"},
		"Shift.To":               {Time: true},
		"Loss.T":                 {Time: true},
		"Paging.ServerT":         {Time: true},
	}
}

// types are those of the messages, parts before what is made of them.
func types() []any {
	return []any{live.Answer{}, live.Pressures{}, live.Drops{}, live.Ratios{}, live.Quantiles{}, live.Cost{}, live.SegmentLoss{}, live.Account{}, live.Doubt{},
		live.Baseline{}, live.Condensate{}, live.Wear{}, live.Wears{}, live.VentTrace{}, live.VentEnvelope{}, live.RunningVent{}, live.Pot{}, live.StandingAlarm{}, live.Frame{}, live.ActRequest{}, live.Request{}, live.Pots{}, live.Problem{}, live.Outcome{},
		live.Spread{}, live.Trace{}, live.Epoch{}, live.History{}, live.Blowdown{}, live.Contents{}, live.Cycle{}, live.Cycles{}, live.Use{}, live.Abrasive{}, live.AlarmText{}, live.AlarmTrend{}, live.AlarmContents{}, live.AlarmEvidence{},
		live.Transition{}, live.Alarm{}, live.Alarms{}, live.AlarmDetail{}, live.AlarmAct{}, live.AlarmCounts{}, live.AlarmSpan{}, live.AlarmSource{}, live.AlarmBenchmarks{}, live.AlarmFigures{},
		live.StoredBaseline{}, live.StoredBaselines{}, live.NewBaseline{}, live.NewService{}, live.Refill{}, live.Refills{}, live.Service{}, live.Services{}, live.Shift{}, live.Shifts{}, live.Loss{}, live.Losses{}}
}

// All are the messages, parts before what is made of them.
func All() ([]Message, error) {
	close, used := closer(), map[string]bool{}
	var out []Message
	for _, v := range types() {
		t := reflect.TypeOf(v)
		m := Message{Name: t.Name(), Says: comments[t.Name()]}
		var err error
		if m.Fields, err = fields(t, close, used); err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	for key := range close {
		if !used[key] {
			return nil, fmt.Errorf("%s has a list, but protocol/live has no such field", key)
		}
	}
	return out, nil
}

// fields are those of a type, with those of a type that is embedded in it, as JSON has them. It notes them in used.
func fields(t reflect.Type, close map[string]Closer, used map[string]bool) ([]Field, error) {
	var out []Field
	for i := range t.NumField() {
		f := t.Field(i)
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && f.Type.Kind() == reflect.Struct && name == "" {
			inner, err := fields(f.Type, close, used)
			if err != nil {
				return nil, err
			}
			out = append(out, inner...)
			continue
		}
		if name == "" || name == "-" {
			return nil, fmt.Errorf("%s.%s has no JSON name", t.Name(), f.Name)
		}
		key := t.Name() + "." + f.Name
		used[key] = true
		out = append(out, Field{Name: name, Type: f.Type, Optional: opts != "", Closer: close[key], Says: comments[key]})
	}
	return out, nil
}

// A List is a closed list of words.
type List struct {
	Name  string // of one word's type
	Names string // of the list
	Says  string
	Words []string
}

// Lists are all closed lists.
func Lists() []List {
	var words, codes, pts, segments []string
	for _, w := range vent.AllWords() {
		words = append(words, w.String())
	}
	for _, c := range vent.AllCodes() {
		codes = append(codes, c.String())
	}
	for _, p := range points.All() {
		pts = append(pts, p.String())
	}
	for s := points.Segment(0); s < points.SegmentCount; s++ {
		segments = append(segments, s.String())
	}
	return []List{
		{"Word", "words", "What may be said of opening a vessel. It replaces no gauge and no lockout, and holds for three seconds at most.", words},
		{"Code", "codes", "A reason for a word.", codes},
		{"State", "states", "What a pot does. Only the answer says what may be thought of opening its vessel.", live.States()},
		{"Air", "airs", "Air to the pot.", live.Airs()},
		{"Quality", "qualities", "Why a reading is not good.", live.Qualities()},
		{"Unit", "units", "A pressure unit of a screen; messages are in Pa.", live.Units()},
		{"Point", "points", "A measuring point, in the order of the air.", pts},
		{"Segment", "segments", "The path between two neighbouring points.", segments},
		{"Finding", "findings", "What has changed in a pot.", live.Findings()},
		{"BaselineKind", "baselineKinds", "How a baseline came to be: learned is provisional, the others are a person's.", live.BaselineKinds()},
		{"Priority", "priorities", "How soon somebody must act on an alarm, the most urgent first.", live.Priorities()},
		{"AlarmKind", "alarmKinds", "What an alarm tells.", live.AlarmKinds()},
		{"AlarmState", "alarmStates", "Where an alarm stands, by IEC 62682 and ANSI/ISA-18.2. None of them says anything of whether a vessel may be opened.", live.AlarmStates()},
		{"AlarmEvent", "alarmEvents", "A step in an alarm's life.", live.AlarmEvents()},
		{"AlarmDeed", "alarmDeeds", "What a person may do with an alarm.", live.AlarmDeeds()},
		{"GaugeFault", "gaugeFaults", "In which way a gauge goes wrong.", live.GaugeFaults()},
		{"FrameType", "frameTypes", "What a frame holds.", live.FrameTypes()},
		{"OutcomeType", "outcomeTypes", "What came of an act that was asked for over the WebSocket.", live.OutcomeTypes()},
	}
}
