package webhook_test

import (
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
	"gritwatch/server/internal/notify/webhook"
)

const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

var at = si.InstantOf(time.Date(2026, 3, 4, 22, 30, 0, 0, time.UTC))

func slow() message.Entry {
	p := 689e3
	return message.Entry{Alarm: "01KJX0000000000000000000AB", Key: alarm.Key{Pot: "alder", Kind: alarm.VentSlow}, Agent: "quay-1", Priority: alarm.Critical,
		Raised: at, At: at, Event: alarm.EventRaised, State: alarm.Unacknowledged, Simulated: true,
		Evidence: alarm.Evidence{PressurePa: []float64{p, 655e3}, Word: vent.Vented.String()}}
}

// got is what a receiver was sent.
type got struct {
	head http.Header
	body []byte
}

// receiver verifies each message by the library of the specification's makers, which shares nothing with what signs.
func receiver(t *testing.T) (url string, all *[]got) {
	t.Helper()
	v, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		t.Fatal(err)
	}
	all = &[]got{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err == nil {
			err = v.Verify(body, r.Header)
		}
		if err != nil {
			t.Errorf("not verified: %v", err)
		}
		*all = append(*all, got{r.Header, body})
	}))
	t.Cleanup(s.Close)
	return s.URL, all
}

func sender(t *testing.T, url, secret string) *webhook.Sender {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := webhook.New(&webhook.Settings{Settings: post.Settings{URL: url, Timeout: time.Minute}, Secret: post.Secret{File: path}}, time.Now)
	t.Cleanup(s.Close)
	return s
}

// TestSigned: the receiver's own library takes what is sent, the body says what happened, and nothing says how the vessel
// stands now.
func TestSigned(t *testing.T) {
	url, all := receiver(t)
	s := sender(t, url, secret)
	e := slow()
	e.Held = message.Failed
	m := message.Message{Site: "harrow-quay", At: at.Add(time.Hour), Entries: []message.Entry{e}, Dropped: 2}
	for range 2 {
		if err := s.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	if a, b := (*all)[0].head.Get("webhook-id"), (*all)[1].head.Get("webhook-id"); a != b || !strings.HasPrefix(a, "msg_") {
		t.Errorf("ids %q and %q of the same", a, b)
	}
	body := (*all)[0].body
	var b struct {
		Type, Timestamp string
		Data            map[string]any
	}
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	if b.Type != "alarms" || b.Timestamp != "2026-03-04T23:30:00.000Z" || b.Data["site"] != "harrow-quay" || b.Data["simulated"] != true || b.Data["dropped"] != 2.0 ||
		!strings.HasPrefix(b.Data["answer_rule"].(string), alarm.AnswerRule) {
		t.Errorf("body %s", body)
	}
	a := b.Data["alarms"].([]any)[0].(map[string]any)
	w := alarm.Text(e.Key)
	for k, want := range map[string]any{"id": e.Alarm, "alarm": "vent-slow", "pot": "alder", "agent": "quay-1", "priority": "critical", "state": "unacknowledged", "event": "raised",
		"at": "2026-03-04T22:30:00.000Z", "raised": "2026-03-04T22:30:00.000Z", "simulated": true, "late_s": 3600.0, "late_for": "not-reached", "says": w.Says, "consequence": w.Consequence} {
		if a[k] != want {
			t.Errorf("%s is %v, want %v", k, a[k], want)
		}
	}
	if a["evidence"].(map[string]any)["p_pa"].([]any)[1] != 655e3 {
		t.Errorf("evidence %v", a["evidence"])
	}
	if strings.Contains(string(body), vent.Vented.String()) {
		t.Errorf("the answer's word in %s", body)
	}
	// Its end is told as one, and as no all-clear.
	over := e
	over.State, over.Event = alarm.Normal, alarm.EventReturned
	if err := s.Send(t.Context(), message.Message{Site: "harrow-quay", At: at, Entries: []message.Entry{over}}); err != nil {
		t.Fatal(err)
	}
	if last := string((*all)[len(*all)-1].body); !strings.Contains(last, `"says":"Ended, which is no all-clear: only the answer at the pot decides. It told: `+w.Says[:10]) {
		t.Errorf("body of an end: %s", last)
	}
}

// TestTest: a test says that it is one, and what is changed on the way is noticed by the receiver's library.
func TestTest(t *testing.T) {
	v, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		t.Fatal(err)
	}
	url, all := receiver(t)
	if err := sender(t, url, secret).Send(t.Context(), message.Message{Site: "harrow-quay", At: at}); err != nil {
		t.Fatal(err)
	}
	g := (*all)[0]
	if !strings.Contains(string(g.body), `"type":"test"`) || !strings.Contains(string(g.body), message.TestSays) || !strings.Contains(string(g.body), `"alarms":[]`) {
		t.Errorf("test %s", g.body)
	}
	g.body[len(g.body)/2] ^= 1
	if v.Verify(g.body, g.head) == nil {
		t.Error("a changed body is verified")
	}
	g.body[len(g.body)/2] ^= 1
	g.head.Set("webhook-id", "msg_other")
	if v.Verify(g.body, g.head) == nil {
		t.Error("a changed id is verified")
	}
}

// TestSecret: one that is not in order sends nothing, and no error holds any of it.
func TestSecret(t *testing.T) {
	url, all := receiver(t)
	for _, bad := range []string{"hush-hush-hush-hush", "whsec_hush", "whsec_" + base64.StdEncoding.EncodeToString([]byte("hush hush")), "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"} {
		err := sender(t, url, bad).Send(t.Context(), message.Message{Site: "harrow-quay", At: at})
		if err == nil || message.FailureOf(err).Refused || strings.Contains(err.Error(), "hush") || strings.Contains(err.Error(), "MfKQ") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if len(*all) > 0 {
		t.Error("something was sent")
	}
}
