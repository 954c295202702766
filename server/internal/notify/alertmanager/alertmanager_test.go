package alertmanager_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/alertmanager"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/post"
)

// start runs Debian's Alertmanager until the test's end and returns its address.
func start(t *testing.T) string {
	t.Helper()
	tool, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		t.Fatal("prometheus-alertmanager is not installed; it is a package of Debian (make test installs it)")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(file, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	var said bytes.Buffer
	c := exec.CommandContext(t.Context(), tool, "--config.file="+file, "--storage.path="+dir, "--cluster.listen-address=", "--web.listen-address="+at)
	c.Cancel = func() error { return c.Process.Signal(syscall.SIGTERM) }
	c.WaitDelay = 5 * time.Second
	c.Stderr = &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Cancel()
		_ = c.Wait() // that it was stopped
		if t.Failed() {
			t.Log(said.String())
		}
	})
	for end := time.Now().Add(2 * time.Minute); ; {
		r, err := http.Get("http://" + at + "/-/ready")
		if err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return "http://" + at
			}
		}
		if time.Now().After(end) {
			t.Fatalf("it does not answer: %v\n%s", err, said.String())
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// A shown alert is one as Alertmanager gives it.
type shown struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
}

func alerts(t *testing.T, url string) []shown {
	t.Helper()
	r, err := http.Get(url + "/api/v2/alerts?silenced=false&inhibited=false")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s %s %v", r.Status, body, err)
	}
	var out []shown
	if err := json.Unmarshal(body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func sender(t *testing.T, url string) *alertmanager.Sender {
	s := alertmanager.New(&alertmanager.Settings{Settings: post.Settings{URL: url + "/api/v2/alerts", Timeout: time.Minute}})
	t.Cleanup(s.Close)
	return s
}

// entry is an alarm that was raised a while ago.
func entry(id string, k alarm.Kind, now time.Time) message.Entry {
	raised := si.InstantOf(now.Add(-10 * time.Minute))
	return message.Entry{Alarm: id, Key: alarm.Key{Pot: "alder", Kind: k}, Agent: "quay-1", Priority: alarm.RuleOf(k).Priority,
		Raised: raised, At: raised, Event: alarm.EventRaised, State: alarm.Unacknowledged}
}

// TestRealOne: what stands is an alert there, with labels and words, and stands on when it is posted again; what has ended ends; what
// comes again is one alert.
func TestRealOne(t *testing.T) {
	t.Parallel()
	url := start(t)
	s := sender(t, url)
	send := func(at time.Time, e ...message.Entry) {
		t.Helper()
		if err := s.Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(at), Entries: e}); err != nil {
			t.Fatal(err)
		}
	}
	now := time.Now().Truncate(time.Millisecond)
	slow := entry("1", alarm.VentSlow, now)
	slow.Simulated = true
	fault := entry("2", alarm.SensorFault, now)
	fault.Key.Point, fault.Key.Fault = "hose", "stuck"
	silent := entry("3", alarm.AgentSilent, now)
	silent.Key = alarm.Key{Agent: "quay-1", Kind: alarm.AgentSilent}
	send(now, slow, fault, silent)
	got := map[string]shown{}
	for _, a := range alerts(t, url) {
		got[a.Labels["alertname"]] = a
	}
	if len(got) != 3 {
		t.Fatalf("alerts %v", got)
	}
	same := func(have, want map[string]string) {
		t.Helper()
		if fmt.Sprint(have) != fmt.Sprint(want) {
			t.Errorf("labels %v, want %v", have, want)
		}
	}
	same(got["vent-slow"].Labels, map[string]string{"alertname": "vent-slow", "priority": "critical", "site": "harrow-quay", "agent": "quay-1", "pot": "alder", "simulated": "true"})
	same(got["sensor-fault"].Labels, map[string]string{"alertname": "sensor-fault", "priority": "medium", "site": "harrow-quay", "agent": "quay-1", "pot": "alder", "point": "hose", "fault": "stuck"})
	same(got["agent-silent"].Labels, map[string]string{"alertname": "agent-silent", "priority": "critical", "site": "harrow-quay", "agent": "quay-1"})
	a := got["vent-slow"]
	w := alarm.Text(slow.Key)
	if a.Annotations["summary"] != message.SimulatedRule+" "+w.Says+" Its end is no all-clear: only the answer at the pot decides." || a.Annotations["consequence"] != w.Consequence || a.Annotations["do"] != strings.Join(w.Do, " ") ||
		!strings.HasPrefix(a.Annotations["answer_rule"], alarm.AnswerRule) || !strings.HasPrefix(a.Annotations["late"], "Told 10 min late") || a.Annotations["id"] != "1" {
		t.Errorf("annotations %v", a.Annotations)
	}
	if !a.StartsAt.Equal(slow.Raised.Time()) || !a.EndsAt.Equal(now.Add(alertmanager.Lasts)) {
		t.Errorf("from %v to %v", a.StartsAt, a.EndsAt)
	}

	later := now.Add(alertmanager.Refresh)
	slow.Repeats = true
	send(later, slow)
	for _, a := range alerts(t, url) {
		if a.Labels["alertname"] == "vent-slow" && (!a.StartsAt.Equal(slow.Raised.Time()) || !a.EndsAt.Equal(later.Add(alertmanager.Lasts))) {
			t.Errorf("posted again: from %v to %v", a.StartsAt, a.EndsAt)
		}
	}

	// Ended, shelved, and another of the same kind that began when the first one was over, in one message.
	slow.Repeats, slow.State, slow.Event, slow.At = false, alarm.ReturnedUnacknowledged, alarm.EventReturned, si.InstantOf(now.Add(-time.Minute))
	fault.State, fault.Event, fault.At, fault.By = alarm.Shelved, alarm.EventShelved, si.InstantOf(now.Add(-time.Minute)), "Ida"
	silent.State, silent.At = alarm.Normal, si.InstantOf(now.Add(-time.Minute))
	again := silent
	again.Alarm, again.State, again.Raised, again.At = "4", alarm.Unacknowledged, si.InstantOf(now.Add(-time.Second)), si.InstantOf(now.Add(-time.Second))
	send(now, slow, fault, silent, again)
	left := alerts(t, url)
	if len(left) != 1 || left[0].Annotations["id"] != "4" {
		t.Errorf("left %v", left)
	}
}

// TestClocksApart: a machine whose clock is off by hours, either way or one after the other, is told of as one whose clock is right: what stands is an alert at once and stands on, and what
// has ended is none.
func TestClocksApart(t *testing.T) {
	t.Parallel()
	url := start(t)
	s := sender(t, url)
	for i, off := range []time.Duration{-20 * time.Minute, -26 * time.Hour, 0, 3 * time.Hour, -time.Hour} {
		now := time.Now().Add(off).Truncate(time.Millisecond)
		held := entry(fmt.Sprint(i), alarm.VesselHeld, now)
		for _, what := range []string{"new", "again"} {
			if err := s.Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(now), Entries: []message.Entry{held}}); err != nil {
				t.Fatal(err)
			}
			got := alerts(t, url)
			if len(got) != 1 || got[0].Annotations["id"] != held.Alarm {
				t.Fatalf("clock off by %v, %s: alerts %v", off, what, got)
			}
			// Not much too early; too late it may be where the clock was just set, as of two ends Alertmanager keeps the later one.
			if left := time.Until(got[0].EndsAt); left < alertmanager.Lasts/3 {
				t.Errorf("clock off by %v, %s: it ends in %v unless it is told again", off, what, left)
			}
			held.Repeats = true
		}
		held.Repeats, held.State, held.At = false, alarm.Normal, si.InstantOf(now)
		if err := s.Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(now), Entries: []message.Entry{held}}); err != nil {
			t.Fatal(err)
		}
		if got := alerts(t, url); len(got) != 0 {
			t.Fatalf("clock off by %v: it has ended, and stands: %v", off, got)
		}
	}
}

// TestSilenceIsNoClock: the clock of an answer from before an outage is not taken for one that is behind: what stands is told once, and as standing.
func TestSilenceIsNoClock(t *testing.T) {
	t.Parallel()
	at, down := time.Now().Truncate(time.Second), false
	var ends []string
	var mu sync.Mutex // over all three
	peer := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if down {
			panic(http.ErrAbortHandler)
		}
		var got []alertmanager.Alert
		if err := json.NewDecoder(r.Body).Decode(&got); err != nil || len(got) != 1 {
			t.Errorf("posted %v, %v", got, err)
			return
		}
		ends = append(ends, got[0].EndsAt)
		w.Header().Set("Date", at.UTC().Format(http.TimeFormat))
	}))
	defer peer.Close()
	s := sender(t, peer.URL)
	held := entry("1", alarm.VesselHeld, at)
	send := func() error {
		return s.Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(at), Entries: []message.Entry{held}})
	}
	if err := send(); err != nil {
		t.Fatal(err)
	}
	later := func(by time.Duration, answers bool) {
		mu.Lock()
		defer mu.Unlock()
		at, down = at.Add(by), !answers
	}
	held.Repeats = true
	later(10*time.Minute, false)
	if send() == nil {
		t.Error("nobody answered, and it is told")
	}
	later(time.Minute, true)
	if err := send(); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	if want := si.InstantOf(at.Add(alertmanager.Lasts)).String(); len(ends) != 2 || ends[1] != want {
		t.Errorf("told to end at %v, want twice, then at %v", ends, want)
	}
}

// TestTest: a test is an alert by a name of its own, which ends by itself.
func TestTest(t *testing.T) {
	t.Parallel()
	url := start(t)
	now := time.Now().Truncate(time.Millisecond)
	if err := sender(t, url).Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(now)}); err != nil {
		t.Fatal(err)
	}
	got := alerts(t, url)
	if len(got) != 1 || got[0].Labels["alertname"] != "gritwatch-test" || got[0].Labels["priority"] != "low" || got[0].Annotations["summary"] != message.TestSays || !got[0].EndsAt.Equal(now.Add(time.Minute)) {
		t.Errorf("alerts %v", got)
	}
}

// TestAllKinds: every kind, state and fault is taken.
func TestAllKinds(t *testing.T) {
	t.Parallel()
	url := start(t)
	s := sender(t, url)
	now := time.Now()
	for state := range alarm.State(alarm.States) {
		var all []message.Entry
		for k := range alarm.Kind(alarm.Kinds) {
			e := entry(fmt.Sprint(k), k, now)
			e.State = state
			if k%2 == 1 {
				e.At = si.InstantOf(now.Add(time.Hour)) // by an agent's clock that is ahead
			}
			if k%3 == 1 {
				e.Raised = e.At
			}
			all = append(all, e)
		}
		if err := s.Send(t.Context(), message.Message{Site: "harrow-quay", At: si.InstantOf(now), Entries: all}); err != nil {
			t.Errorf("%s: %v", state, err)
		}
	}
}

// TestAbsent: an Alertmanager that is not there has not refused.
func TestAbsent(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	err = sender(t, "http://"+l.Addr().String()).Send(context.Background(), message.Message{Site: "harrow-quay"})
	if f := message.FailureOf(err); err == nil || f.Refused {
		t.Errorf("%v", err)
	}
}
