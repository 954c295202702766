package main

import (
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"gritwatch/server/internal/config"
)

// TestNotifyTest: each receiver is tried, what became of it is said without a secret, and one that was not told makes the command
// fail.
func TestNotifyTest(t *testing.T) {
	const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	key := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(key, []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	v, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		t.Fatal(err)
	}
	got := 0
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || v.Verify(body, r.Header) != nil || !strings.Contains(string(body), `"type":"test"`) {
			t.Errorf("%v %s", err, body)
		}
		got++
	}))
	defer hook.Close()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	absent := l.Addr().String()
	l.Close()
	site := file(t, config.Reference+"notify:\n  - {name: room, webhook: {url: \""+hook.URL+"/hidden\", secret_file: "+key+"}}\n"+
		"  - {name: on-call, priority: high, pots: [birch], quiet: {from: \"22:00\", to: \"06:30\"}, zone: UTC, alertmanager: {url: \"http://"+absent+"\"}}\n")

	code, out, errs := call(t, t.Context(), "notify", "test", "--config", site)
	if code != 1 || !strings.Contains(out, "room: webhook "+hook.URL+": told\n") || !strings.Contains(out, "on-call: alertmanager http://"+absent+": not told: ") ||
		!strings.Contains(errs, "not told: on-call") || strings.Contains(out+errs, "hidden") || got != 1 {
		t.Errorf("%d\n%s\n%s", code, out, errs)
	}
	if code, out, errs := call(t, t.Context(), "notify", "test", "--config", site, "--to", "room"); code != 0 || got != 2 || strings.Contains(out, "on-call") {
		t.Errorf("%d\n%s\n%s", code, out, errs)
	}
	if code, _, errs := call(t, t.Context(), "notify", "test", "--config", site, "--to", "nobody"); code != 2 || !strings.Contains(errs, `no receiver "nobody"`) || !strings.Contains(errs, "[room on-call]") {
		t.Errorf("%d\n%s", code, errs)
	}
	if code, _, errs := call(t, t.Context(), "notify", "test", "--config", file(t, config.Reference)); code != 2 || !strings.Contains(errs, "names nobody to try") {
		t.Errorf("%d\n%s", code, errs)
	}

	code, out, errs = call(t, t.Context(), "check", "--config", site)
	for _, want := range []string{"notify room: webhook " + hook.URL + ": alarms of all priorities\n",
		"notify on-call: alertmanager http://" + absent + ": alarms from high up of birch; from 22:00 to 06:30 (UTC) critical ones alone\n"} {
		if code != 0 || !strings.Contains(out, want) {
			t.Errorf("check: %d, no %q in\n%s\n%s", code, want, out, errs)
		}
	}
	if strings.Contains(out, "hidden") || got != 2 {
		t.Errorf("check told something, or shows the address:\n%s", out)
	}
	if code, out, _ := call(t, t.Context(), "check", "--config", file(t, config.Reference)); code != 0 || !strings.Contains(out, "notify: nobody; alarms are told on the page alone\n") {
		t.Errorf("check: %d\n%s", code, out)
	}
}
