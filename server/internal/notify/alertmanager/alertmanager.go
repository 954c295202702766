// Package alertmanager tells alarms to a Prometheus Alertmanager, by version 2 of its API.
//
// It forgets what it is not told again: each alarm that stands is posted anew, every Refresh, with an end that lies Lasts ahead.
// So a server that is gone looks, after Lasts, as if its alarms had ended: let something else watch the server, as the rules in
// deploy/prometheus do. An end is posted once, with its own instant.
//
// An alert's labels are alertname (the kind), priority, site, agent, and where there are any pot, point, fault and
// simulated; they name it. What was said last stands in its annotations.
package alertmanager

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

const (
	// Refresh is how often what stands is posted again. Its makers ask clients for 30 s to 3 min.
	Refresh = time.Minute
	// Lasts is how long an alert stands that nobody posts again: four times Refresh, as Prometheus itself has it, and a bit.
	Lasts = 5 * time.Minute
	// mostApart is how far the clocks of both may be apart before Alertmanager is told by its own. By one that is Lasts behind, what stands would be over there before it was told.
	mostApart = Lasts / 2

	path    = "/api/v2/alerts"
	example = "http://127.0.0.1:9093"
)

// Settings are the keys of `alertmanager:`.
type Settings struct {
	post.Settings
	User     string      // of HTTP's basic log-in; empty: none
	Password post.Secret // of User
	Token    post.Secret // sent as a bearer's
}

// Read reads the keys. It looks into no file; Look does.
func Read(m yamlfile.Map) *Settings {
	s := &Settings{Settings: post.Read(m, example), User: m.Optional().String("user"),
		Password: post.ReadSecret(m, "password"), Token: post.ReadSecret(m, "token")}
	if s.URL != "" {
		s.URL = strings.TrimSuffix(strings.TrimRight(s.URL, "/"), path) + path
	}
	switch {
	case s.User != "" && !s.Password.Given():
		m.Fail("user", "stands without its password", "add password_file")
	case s.User == "" && s.Password.Given():
		m.Fail("password_file", "stands without a user", "add user")
	case s.User != "" && s.Token.Given():
		m.Fail("token_file", "stands beside user", "write one of the two")
	}
	return s
}

// Look looks into the files of the settings, which were read from m.
func (s *Settings) Look(m yamlfile.Map, now time.Time) []brokerlink.Finding {
	anything := func(string) error { return nil }
	return append(append(s.Settings.Look(m, now), s.Password.Look(m, "password", anything)...), s.Token.Look(m, "token", anything)...)
}

// A Sender tells one Alertmanager.
type Sender struct {
	settings *Settings
	poster   *post.Poster
	apart    time.Duration // its clock over the message's, as far as they were when it answered last; 0: by mostApart at most
}

// New is one by settings.
func New(s *Settings) *Sender { return &Sender{settings: s, poster: post.New(s.Settings)} }

// Send tells a message. An error is a *message.Failure.
func (s *Sender) Send(ctx context.Context, m message.Message) error {
	login, err := s.login()
	if err != nil {
		return &message.Failure{Why: err}
	}
	was := s.apart
	if err := s.post(ctx, &m, login); err != nil || s.apart == was {
		return err
	}
	return s.post(ctx, &m, login) // by the right clock
}

func (s *Sender) post(ctx context.Context, m *message.Message, login string) error {
	body, err := json.Marshal(alertsOf(m, s.apart))
	if err != nil {
		return &message.Failure{Refused: true, Why: err}
	}
	err = s.poster.Post(ctx, body, func(h http.Header) {
		if login != "" {
			h.Set("Authorization", login)
		}
	})
	if date := s.poster.Date(); !date.IsZero() {
		switch apart := si.InstantOf(date).Sub(m.At); {
		case apart.Abs() <= mostApart:
			s.apart = 0
		case (apart - s.apart).Abs() > mostApart:
			s.apart = apart
		}
	}
	return err
}

// Close ends what is open.
func (s *Sender) Close() { s.poster.Close() }

func (s *Sender) login() (string, error) {
	switch {
	case s.settings.Token.Given():
		v, err := s.settings.Token.Value()
		return "Bearer " + v, err
	case s.settings.User != "":
		v, err := s.settings.Password.Value()
		return "Basic " + base64.StdEncoding.EncodeToString([]byte(s.settings.User+":"+v)), err
	}
	return "", nil
}

// An Alert is one as the API takes it (its postableAlert).
type Alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    string            `json:"startsAt"`
	EndsAt      string            `json:"endsAt"`
}

// alertsOf are the alerts of a message, for a clock so far ahead of its own.
func alertsOf(m *message.Message, ahead time.Duration) []Alert {
	if m.Test() {
		return []Alert{{Labels: map[string]string{"alertname": "gritwatch-test", "priority": alarm.Low.String(), "site": m.Site},
			Annotations: map[string]string{"summary": message.TestSays}, StartsAt: m.At.Add(ahead).String(), EndsAt: m.At.Add(ahead + time.Minute).String()}}
	}
	var out []Alert
	for i := range m.Entries {
		a := alertOf(m, &m.Entries[i], ahead)
		// Two alarms of the same kind and pot, one after the other, are one alert: what stands counts.
		j := slices.IndexFunc(out, func(x Alert) bool { return maps.Equal(x.Labels, a.Labels) })
		switch {
		case j < 0:
			out = append(out, a)
		case m.Entries[i].Stands():
			out[j] = a
		}
	}
	return out
}

func alertOf(m *message.Message, e *message.Entry, ahead time.Duration) Alert {
	w := e.Words()
	begins, ends := span(m, e)
	a := Alert{Labels: map[string]string{}, Annotations: map[string]string{}, StartsAt: begins.Add(ahead).String(), EndsAt: ends.Add(ahead).String()}
	put := func(to map[string]string, name, value string) {
		if value != "" {
			to[name] = value
		}
	}
	put(a.Labels, "alertname", e.Key.Kind.String())
	put(a.Labels, "priority", e.Priority.String())
	put(a.Labels, "site", m.Site)
	put(a.Labels, "agent", e.Agent)
	put(a.Labels, "pot", e.Key.Pot)
	put(a.Labels, "point", e.Key.Point)
	put(a.Labels, "fault", e.Key.Fault)
	says := e.Line()
	if !e.Over() && e.Weighs() { // where the server falls silent Alertmanager ends it by itself, with these words
		says += " Its end is " + message.NoAllClear + "."
	}
	if e.Simulated {
		put(a.Labels, "simulated", "true")
		says = message.SimulatedRule + " " + says
	}
	put(a.Annotations, "summary", says)
	put(a.Annotations, "consequence", w.Consequence)
	put(a.Annotations, "causes", strings.Join(w.Causes, "; "))
	put(a.Annotations, "do", strings.Join(w.Do, " "))
	put(a.Annotations, "answer_rule", alarm.AnswerRule+" "+message.Past)
	put(a.Annotations, "state", e.Says())
	put(a.Annotations, "note", e.Note)
	put(a.Annotations, "late", strings.TrimSpace(e.LateSays(m.At)+" "+e.FoundLate()))
	put(a.Annotations, "dropped", m.DroppedSays())
	put(a.Annotations, "id", e.Alarm)
	return a
}

// span is when an alert begins, and when it ends if nobody posts it again. It takes none that begins ahead (by an agent's clock), or
// ends before it began.
func span(m *message.Message, e *message.Entry) (begins, ends si.Instant) {
	begins = min(e.Raised, m.At)
	if e.Stands() {
		return begins, m.At.Add(Lasts)
	}
	return begins, max(begins.Add(time.Millisecond), min(e.At, m.At))
}
