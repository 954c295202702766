package live

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	msg "gritwatch/protocol/live"
)

// A request is what a page has said.
type request struct {
	names []string // subscription; nil: none
	ack   uint64   // 0: none
	act   *msg.ActRequest
}

// parse reads one message of a page. What of it cannot be read is told in wrong, nil where there is nothing, and is not in the request;
// the rest is.
func parse(text []byte) (r request, wrong *msg.Outcome) {
	var raw struct {
		Subscribe []string        `json:"subscribe"`
		Ack       uint64          `json:"ack"`
		Act       json.RawMessage `json:"act"`
	}
	refuse := func(id string, status int, format string, args ...any) *msg.Outcome {
		o := msg.Refused(id, status, fmt.Sprintf(format, args...))
		return &o
	}
	if err := json.Unmarshal(text, &raw); err != nil {
		return request{}, refuse("", http.StatusBadRequest, `the message is not JSON of the form {"subscribe":[names],"ack":n,"act":{…}}: %v`, err)
	}
	r = request{names: raw.Subscribe, ack: raw.Ack}
	if len(r.names) > maxNames {
		wrong = refuse("", http.StatusBadRequest, "subscription to %d pots; the most is %d", len(r.names), maxNames)
		r.names = nil
	}
	if len(raw.Act) == 0 || string(raw.Act) == "null" {
		return r, wrong
	}
	var named struct {
		Request string `json:"request"`
	}
	_ = json.Unmarshal(raw.Act, &named) // as far as it goes: whoever asked should know that it is about this
	if n := utf8.RuneCountInString(named.Request); n == 0 || n > longestRequest {
		return r, refuse("", http.StatusBadRequest, "act: request has %d characters; give 1 to %d, by which the outcome is known", n, longestRequest)
	}
	if len(raw.Act) > msg.MostAct {
		return r, refuse(named.Request, http.StatusRequestEntityTooLarge, "act: send less than %d KiB", msg.MostAct>>10)
	}
	var act msg.ActRequest
	d := json.NewDecoder(bytes.NewReader(raw.Act))
	d.DisallowUnknownFields()
	if err := d.Decode(&act); err != nil {
		return r, refuse(named.Request, http.StatusBadRequest, "act cannot be read: %s", strings.TrimPrefix(err.Error(), "json: "))
	}
	r.act = &act
	return r, wrong
}

// A pace says how often something may be done: at once actsAtOnce times, in the long run once each actEvery.
type pace struct {
	left float64
	at   time.Time // of the last look
}

func (p *pace) take(now time.Time) bool {
	if !p.at.IsZero() {
		p.left = min(actsAtOnce, p.left+now.Sub(p.at).Seconds()/actEvery.Seconds())
	}
	p.at = now
	if p.left < 1 {
		return false
	}
	p.left--
	return true
}
