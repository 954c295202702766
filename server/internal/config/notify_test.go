package config_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/notify/mail"
	"gritwatch/server/internal/notify/outbox"
)

// example is what the reference shows of receivers, out of its comments.
func example(t *testing.T) string {
	t.Helper()
	_, rest, ok := strings.Cut(config.Reference, "#   notify:\n")
	if !ok {
		t.Fatal("the reference shows no receivers")
	}
	out := "notify:\n"
	for _, line := range strings.Split(rest, "\n") {
		text, ok := strings.CutPrefix(line, "#   ")
		if !ok {
			return out
		}
		out += text + "\n"
	}
	return out
}

func TestReceivers(t *testing.T) {
	c, err := config.Parse("site.yaml", []byte(config.Reference+example(t)))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Notify) != 3 {
		t.Fatalf("%d receivers", len(c.Notify))
	}
	hook, foreman, call := c.Notify[0], c.Notify[1], c.Notify[2]
	if hook.Kind() != "webhook" || hook.Where() != "https://hooks.example" || hook.Webhook.Secret.File != "/etc/gritwatch/hook" ||
		hook.Webhook.Timeout != 10*time.Second || !hook.Policy.Acts || hook.Policy.Gather != 2*time.Second || hook.Policy.Pots != nil || hook.Policy.Least != alarm.Low {
		t.Errorf("webhook %+v", hook)
	}
	m := foreman.Mail
	if m.Host != "mail.example" || m.Port != 587 || m.TLS != mail.StartTLS || m.User != "gritwatch" || !slices.Equal(m.To, []string{"foreman@mail.example", "office@mail.example"}) {
		t.Errorf("mail %+v", m)
	}
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	if p := foreman.Policy; p.Least != alarm.High || p.Acts || !p.Pots["alder"] || len(p.Pots) != 1 || !p.Agents["quay-1"] ||
		p.Quiet != (outbox.Hours{From: 22 * time.Hour, To: 6 * time.Hour, Zone: p.Quiet.Zone}) || p.Quiet.Zone.String() != lisbon.String() {
		t.Errorf("policy %+v", p)
	}
	if call.Alertmanager.URL != "http://127.0.0.1:9093/api/v2/alerts" || !call.Policy.Mixed || call.Policy.Refresh == 0 || !call.Policy.Acts {
		t.Errorf("alertmanager %+v %+v", call.Alertmanager, call.Policy)
	}
	if n := c.Unheard(); len(n) != 0 {
		t.Errorf("nobody hears of %v", n)
	}
	c.Notify = c.Notify[1:2]
	if n := c.Unheard(); !slices.Equal(n, []string{"birch"}) {
		t.Errorf("nobody hears of %v, want birch", n)
	}
}

// TestReceiversFiles: what the keys name is looked into, and no secret is in what is said of it.
func TestReceiversFiles(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	t.Setenv("GRITWATCH_TEST_SECRET", "whsec_hush")
	site := func(notify string) string { return write("site.yaml", good+"notify:\n"+notify, 0o600) }
	fine := site("  - {name: a, webhook: {url: \"https://hooks.example/hidden\", secret_file: " + write("fine", secret+"\n", 0o600) + "}}\n" +
		"  - {name: b, pots: [alder], mail: {server: 127.0.0.1, tls: none, from: a@mail.example, to: [b@mail.example]}}\n")
	_, found, err := config.ReadWhole(fine, time.Now())
	if err != nil || len(found) != 1 || found[0].About != "notify b" || found[0].Warn {
		t.Errorf("found %v, %v", found, err)
	}
	for _, c := range []struct{ notify, want string }{
		{"  - {name: a, webhook: {url: \"https://h.example\", secret_file: " + filepath.Join(dir, "absent") + "}}\n", "no such file"},
		{"  - {name: a, webhook: {url: \"https://h.example\", secret_file: " + write("short", "whsec_aHVzaA==\n", 0o600) + "}}\n", "is not whsec_ and the base64 of 24 to 64 bytes"},
		{"  - {name: a, webhook: {url: \"https://h.example\", secret_file: " + write("two", secret+"\n"+secret+"\n", 0o600) + "}}\n", "does not hold one line"},
		{"  - {name: a, webhook: {url: \"https://h.example\", secret_file: " + dir + "}}\n", "is no plain file"},
		{"  - {name: a, webhook: {url: \"https://h.example\", ca: " + write("ca", "hush", 0o600) + ", secret_file: " + filepath.Join(dir, "fine") + "}}\n", "PEM"},
	} {
		_, _, err := config.ReadWhole(site(c.notify), time.Now())
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "site.yaml:11: notify[0]") {
			t.Errorf("%s: error %v, want %q", c.notify, err, c.want)
		} else if strings.Contains(err.Error(), "aHVzaA") || strings.Contains(err.Error(), "MfKQ") {
			t.Errorf("a secret is told: %v", err)
		}
	}
	_, found, err = config.ReadWhole(site("  - {name: a, pots: [alder], webhook: {url: \"https://h.example\", secret_file: "+write("open", secret, 0o644)+"}}\n"+
		"  - {name: b, webhook: {url: \"https://h.example\", secret_env: GRITWATCH_TEST_SECRET}}\n"), time.Now())
	if err != nil || len(found) != 2 || !found[0].Warn || !strings.Contains(found[0].Text, "every user") || !found[1].Warn || strings.Contains(found[1].Text, "hush") {
		t.Errorf("found %v, %v", found, err)
	}
}
