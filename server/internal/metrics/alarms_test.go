package metrics_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/metrics"
)

// TestAlarms: the alarms' series have the figures, and every priority is there from the start, so that a rule on none of them is not a rule on
// nothing.
func TestAlarms(t *testing.T) {
	m, err := metrics.New("harrow-quay", pots{}, func() int { return 0 }, func() int { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Alarms(func(now time.Time) alarm.Figures {
		if time.Since(now).Abs() > time.Minute {
			t.Errorf("figures of %v", now)
		}
		return alarm.Figures{LastTen: 12, Flood: true, Day: alarm.Span{PerHour: 2.5, PerTen: 0.4, FloodShare: 0.02}, Month: alarm.Span{PerHour: 1.5},
			Chattering: make([]alarm.Key, 2), Stale: []string{"a"}, Standing: [alarm.Priorities]int{alarm.Critical: 3, alarm.Low: 1},
			Waiting: [alarm.Priorities]int{alarm.Critical: 2}, Shelved: 4, Suppressed: 20, OutOfService: 1}
	}); err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	m.Handler(httpapi.Problem).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for _, line := range []string{
		`gritwatch_alarms_active{priority="critical",site="harrow-quay"} 3`,
		`gritwatch_alarms_active{priority="high",site="harrow-quay"} 0`,
		`gritwatch_alarms_active{priority="low",site="harrow-quay"} 1`,
		`gritwatch_alarms_unacknowledged{priority="critical",site="harrow-quay"} 2`,
		`gritwatch_alarms_last_ten{site="harrow-quay"} 12`,
		`gritwatch_alarms_flood{site="harrow-quay"} 1`,
		`gritwatch_alarms_per_hour{over="1d",site="harrow-quay"} 2.5`,
		`gritwatch_alarms_per_hour{over="30d",site="harrow-quay"} 1.5`,
		`gritwatch_alarms_per_ten{over="1d",site="harrow-quay"} 0.4`,
		`gritwatch_alarms_flood_ratio{over="1d",site="harrow-quay"} 0.02`,
		`gritwatch_alarms_chattering{site="harrow-quay"} 2`,
		`gritwatch_alarms_stale{site="harrow-quay"} 1`,
		`gritwatch_alarms_hidden{how="shelved",site="harrow-quay"} 4`,
		`gritwatch_alarms_hidden{how="suppressed",site="harrow-quay"} 20`,
		`gritwatch_alarms_hidden{how="out-of-service",site="harrow-quay"} 1`,
	} {
		if !strings.Contains(w.Body.String(), line+"\n") {
			t.Errorf("no %s in\n%s", line, w.Body)
		}
	}
	if err := m.Alarms(nil); err == nil {
		t.Error("registered twice")
	}
}
