package metrics_test

import (
	"bytes"
	"os/exec"
	"strings"
	"testing"

	"gritwatch/server/internal/metrics"
)

// TestReceivers: what becomes of messages to those outside is exported as it is at the scrape, and in good order.
func TestReceivers(t *testing.T) {
	m, err := metrics.New("harrow-quay", pots{}, func() int { return 0 }, func() int { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	now := []metrics.Receiver{{Name: "room", Kind: "webhook", Sent: 5, Failed: 2, Dropped: 1, Waiting: 3}, {Name: "foreman", Kind: "mail"}}
	if err := m.Receivers(func() []metrics.Receiver { return now }); err != nil {
		t.Fatal(err)
	}
	now[0].Sent++
	got := text(t, m)
	for _, want := range []string{
		`gritwatch_notify_sent_total{kind="webhook",receiver="room",site="harrow-quay"} 6`,
		`gritwatch_notify_failed_total{kind="webhook",receiver="room",site="harrow-quay"} 2`,
		`gritwatch_notify_dropped_total{kind="webhook",receiver="room",site="harrow-quay"} 1`,
		`gritwatch_notify_waiting{kind="webhook",receiver="room",site="harrow-quay"} 3`,
		`gritwatch_notify_sent_total{kind="mail",receiver="foreman",site="harrow-quay"} 0`,
	} {
		if !strings.Contains(got, want+"\n") {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	check := exec.CommandContext(t.Context(), "promtool", "check", "metrics")
	check.Stdin = strings.NewReader(got)
	var out bytes.Buffer
	check.Stdout, check.Stderr = &out, &out
	if err := check.Run(); err != nil {
		t.Errorf("promtool check metrics: %v\n%s", err, out.String())
	}
}
