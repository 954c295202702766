package app_test

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/live"
)

func post(t *testing.T, web, path, text string) (int, string) {
	t.Helper()
	res, err := (&http.Client{Timeout: time.Minute, Transport: &http.Transport{DisableKeepAlives: true}}).Post("http://"+web+path, "application/json", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(body)
}

// What people record is stored, and listed; what cannot be is refused in words.
func TestClerk(t *testing.T) {
	web, _, _ := start(t)
	const path = "/api/v1/pots/alder/baselines"
	if code, body := post(t, web, path, `{"by":"Ada"}`); code != 409 || !strings.Contains(body, "no steady blast") {
		t.Errorf("a ritual of nothing: %d %s", code, body)
	}
	if code, body := post(t, web, path, `{"by":"Ada","points_pa":{"vessel":750000,"hose":741000,"nozzle":690000}}`); code != 201 {
		t.Fatalf("%d %s", code, body)
	}
	if code, body := post(t, web, path, `{"by":"Bo","air_only":true,"points_pa":{"vessel":740000,"hose":730000}}`); code != 201 {
		t.Fatalf("%d %s", code, body)
	}
	_, text := get(t, web, path)
	var list live.StoredBaselines
	if err := json.Unmarshal([]byte(text), &list); err != nil || len(list.Baselines) != 2 {
		t.Fatalf("%v: %s", err, text)
	}
	if newest := list.Baselines[0]; !newest.AirOnly || newest.By != "Bo" || newest.How != "commissioned" || newest.PointsPa.Hose == nil || int(*newest.PointsPa.Hose+0.5) != 730000 {
		t.Errorf("%s", text)
	}
	for _, c := range []struct{ text, says string }{
		{`{"part":"lid","work":"cleaned","by":"Ada"}`, "parts: separator"},
		{`{"part":"exhaust","work":" ","by":"Ada"}`, "work is missing"},
		{`{"part":"exhaust","work":"cleaned","by":""}`, "by is missing"},
	} {
		if code, body := post(t, web, "/api/v1/pots/alder/services", c.text); code != 409 || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d %s", c.text, code, body)
		}
	}
	if code, body := post(t, web, "/api/v1/pots/alder/services", `{"part":"exhaust","work":"cleaned","by":"Ada","note":"ice"}`); code != 201 {
		t.Fatalf("%d %s", code, body)
	}
	if _, text := get(t, web, "/api/v1/pots/alder/services"); !strings.Contains(text, `"work":"cleaned"`) || !strings.Contains(text, `"note":"ice"`) {
		t.Errorf("%s", text)
	}
}
