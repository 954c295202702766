// Package webhook tells alarms to a program by HTTP, signed so that it can know from whom they come.
//
// The form is that of the open specification Standard Webhooks 1.0.0 (standardwebhooks.com), for which there are libraries in
// most languages. The body is JSON: type (alarms, or test), timestamp, and data, which is Data. Three headers come with it:
//
//	webhook-id         the same whenever the same is told again: what was got twice can be left out
//	webhook-timestamp  of the attempt, seconds since 1970-01-01 UTC: what is older than five minutes should not be believed
//	webhook-signature  v1, and the HMAC-SHA-256 (base64) over id.timestamp.body, by the key of the secret
//
// A secret is whsec_ and 24 to 64 bytes in base64. A file with two secrets is not taken: exchange it on both sides at once, or
// take both on the receiver's side for a while.
package webhook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

// Settings are the keys of `webhook:`.
type Settings struct {
	post.Settings
	Secret post.Secret
}

const example = "https://hooks.example/pots"

// Read reads the keys. It looks into no file; Look does.
func Read(m yamlfile.Map) *Settings {
	s := &Settings{Settings: post.Read(m, example), Secret: post.ReadSecret(m, "secret")}
	if !s.Secret.Given() && m.Field() != "" {
		m.Fail("secret_file", "is missing", "the receiver must know from whom it is told: name a file whose one line is whsec_ and the base64 of 24 to 64 random bytes")
	}
	return s
}

// Look looks into the files of the settings, which were read from m.
func (s *Settings) Look(m yamlfile.Map, now time.Time) []brokerlink.Finding {
	return append(s.Settings.Look(m, now), s.Secret.Look(m, "secret", func(v string) error { _, err := key(v); return err })...)
}

// key is the key of a secret. No error holds any of it.
func key(secret string) ([]byte, error) {
	const prefix, least, most = "whsec_", 24, 64
	rest, ok := strings.CutPrefix(secret, prefix)
	k, err := base64.StdEncoding.DecodeString(rest)
	if !ok || err != nil || len(k) < least || len(k) > most {
		return nil, fmt.Errorf("the secret is not %s and the base64 of %d to %d bytes", prefix, least, most)
	}
	return k, nil
}

// A Sender tells one receiver.
type Sender struct {
	secret post.Secret
	poster *post.Poster
	now    func() time.Time
}

// New is one by settings; now is the clock of the machine.
func New(s *Settings, now func() time.Time) *Sender {
	return &Sender{secret: s.Secret, poster: post.New(s.Settings), now: now}
}

// Send tells a message. An error is a *message.Failure.
func (s *Sender) Send(ctx context.Context, m message.Message) error {
	secret, err := s.secret.Value()
	var k []byte
	if err == nil {
		k, err = key(secret)
	}
	if err != nil {
		return &message.Failure{Why: err}
	}
	body, err := json.Marshal(bodyOf(&m))
	if err != nil {
		return &message.Failure{Refused: true, Why: err}
	}
	id, at := "msg_"+m.ID(), strconv.FormatInt(s.now().Unix(), 10)
	return s.poster.Post(ctx, body, func(h http.Header) {
		h.Set("Webhook-Id", id)
		h.Set("Webhook-Timestamp", at)
		h.Set("Webhook-Signature", "v1,"+sign(k, id, at, body))
	})
}

// Close ends what is open.
func (s *Sender) Close() { s.poster.Close() }

// sign is the signature of the specification's scheme v1.
func sign(key []byte, id, at string, body []byte) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(id + "." + at + "."))
	h.Write(body)
	return base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// A Body is what is sent.
type Body struct {
	Type      string `json:"type"` // alarms or test
	Timestamp string `json:"timestamp"`
	Data      Data   `json:"data"`
}

// Data is what happened. What is not known is absent.
type Data struct {
	Site      string  `json:"site"`
	Simulated bool    `json:"simulated"`         // something in it comes from a simulator
	Says      string  `json:"says,omitempty"`    // of a test, or what was not told
	Dropped   uint64  `json:"dropped,omitempty"` // alarms that were not told since the message before
	Rule      string  `json:"answer_rule"`       // stands beside whatever is shown of this
	Alarms    []Alarm `json:"alarms"`            // the most urgent first
}

// An Alarm is the newest of one. Instants are RFC 3339 in UTC.
type Alarm struct {
	ID        string `json:"id"`    // ULID, the same through its life
	Kind      string `json:"alarm"` // as vent-slow
	Pot       string `json:"pot,omitempty"`
	Agent     string `json:"agent"`
	Point     string `json:"point,omitempty"` // of a gauge's fault
	Fault     string `json:"fault,omitempty"`
	Priority  string `json:"priority"` // critical, high, medium or low
	State     string `json:"state"`    // after what happened
	Event     string `json:"event"`    // what happened last
	At        string `json:"at"`       // when
	Raised    string `json:"raised"`
	By        string `json:"by,omitempty"` // who did it
	Note      string `json:"note,omitempty"`
	Until     string `json:"until,omitempty"` // of a shelf
	Simulated bool   `json:"simulated"`

	LateS   float64 `json:"late_s,omitempty"`   // how long after it happened this is told, from a minute on
	LateFor string  `json:"late_for,omitempty"` // why: quiet-hours, server-restarted, not-reached or refused
	Found   bool    `json:"found_late,omitempty"`

	Says        string         `json:"says"`
	Consequence string         `json:"consequence"`
	Causes      []string       `json:"causes,omitempty"`
	Do          []string       `json:"do,omitempty"`
	Evidence    alarm.Evidence `json:"evidence"`
}

func bodyOf(m *message.Message) Body {
	b := Body{Type: "alarms", Timestamp: m.At.String(), Data: Data{Site: m.Site, Simulated: m.Simulated(), Says: m.DroppedSays(), Dropped: m.Dropped,
		Rule: alarm.AnswerRule + " " + message.Past, Alarms: []Alarm{}}}
	if m.Test() {
		b.Type, b.Data.Says = "test", message.TestSays
	}
	for i := range m.Entries {
		b.Data.Alarms = append(b.Data.Alarms, alarmOf(&m.Entries[i], m.At))
	}
	return b
}

func alarmOf(e *message.Entry, now si.Instant) Alarm {
	w := e.Words()
	a := Alarm{ID: e.Alarm, Kind: e.Key.Kind.String(), Pot: e.Key.Pot, Agent: e.Agent, Point: e.Key.Point, Fault: e.Key.Fault,
		Priority: e.Priority.String(), State: e.State.String(), Event: e.Event, At: e.At.String(), Raised: e.Raised.String(), By: e.By, Note: e.Note,
		Simulated: e.Simulated, Found: e.Evidence.Late, Says: e.Line(), Consequence: w.Consequence, Causes: w.Causes, Do: w.Do, Evidence: e.Evidence}
	a.Evidence.Word = "" // the answer's word would be read as of now
	a.Evidence.Note, a.Evidence.Until = "", ""
	if e.Until != 0 {
		a.Until = e.Until.String()
	}
	if d := e.Late(now); d > 0 {
		a.LateS, a.LateFor = d.Seconds(), e.Held.String()
	}
	return a
}
