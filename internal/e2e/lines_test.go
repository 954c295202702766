package e2e_test

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"
)

// series is what a scrape gives of all metrics whose names begin so, by name and labels.
func (s *site) series(prefix string) map[string]float64 {
	s.t.Helper()
	client := http.Client{Timeout: soon}
	res, err := client.Get("http://" + s.http + "/metrics")
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		s.t.Fatalf("scrape: %s, %v", res.Status, err)
	}
	out := map[string]float64{}
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, prefix) {
			continue
		}
		i := strings.LastIndexByte(line, ' ')
		v, err := strconv.ParseFloat(strings.TrimSpace(line[i+1:]), 64)
		if err != nil {
			s.t.Fatalf("scrape: %s: %v", line, err)
		}
		out[line[:i]] = v
	}
	return out
}

// lineLabels are those of one of quay-1's lines in runSite.
func (r *runningSite) lineLabels(line int) string {
	return fmt.Sprintf(`{agent="quay-1",line="%d",port="%s/line-%d",site="harrow-quay"}`, line+1, r.dir, line)
}

// countsLines holds the metrics of healthy lines to what they promise after so long: requests grow by what the schedule
// sends, and are answered.
func (r *runningSite) countsLines(t testing.TB, lines int, before map[string]float64, during time.Duration) {
	t.Helper()
	now := r.series("gritwatch_line_")
	for line := range lines {
		labels := r.lineLabels(line)
		sent := now["gritwatch_line_requests_total"+labels] - before["gritwatch_line_requests_total"+labels]
		// At least one request in each period of 100 ms; half of that is forgiven to a busy machine.
		if least := during.Seconds() * 5; sent < least {
			t.Errorf("line %d: %g requests in %v, want %g", line+1, sent, during.Round(time.Second), least)
		}
		if now["gritwatch_line_open"+labels] != 1 || now["gritwatch_line_silent_units"+labels] != 0 ||
			now["gritwatch_line_replies_total"+labels] < now["gritwatch_line_requests_total"+labels]/2 {
			t.Errorf("line %d of a healthy site: %v", line+1, now)
		}
	}
}
