package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"gritwatch/protocol/live"
)

const (
	slowTruth  = time.Second     // how often the simulator writes down the truth
	slowPeriod = "100ms"         // of the lines
	slowMost   = 6               // pots of an agent
	looksAfter = time.Minute     // Ida acknowledges what was raised so long ago
	pageLooks  = 5 * time.Minute // what she has at the page, and has not acknowledged there
	zeroAt     = 40.0            // minutes: nothing is to be raised or to end about then, and the handle that is tied is held for longer
	overdue    = 3 * time.Minute // for what should have ended
	pageEnds   = 2 * time.Minute // for the page, once all has
	mostLate   = 0.1             // of the time: where the simulator was late for more nothing can be judged
)

// playSlow plays all that takes minutes to hours as it is: pots side by side on simulated lines, agents, broker and server, a page in
// a real browser and one's WebSocket, and a webhook by others. Each kind is raised in its time, read and acknowledged at the page, and ends,
// by itself or by what a person records: work on a part over the API, the zero of a gauge in the files of both sides, and then both are
// started anew, while all else goes on. Nothing else may be raised but what the scenarios make true. In the end the history holds each
// alarm whole, and the webhook was told of each one's beginning and end. What has not come by then is told, and no longer waited for.
//
// Minutes are the simulator's own: one that a busy machine holds up plays later, and is judged by where it was. It is not played again
// as a trial is: it takes three quarters of an hour, of which the press that is too long takes 45 minutes by itself. What a busy machine may
// spoil all the same is laid down in excuse.
func playSlow(t *testing.T) {
	pots := slices.DeleteFunc(slowPots(), func(p slowPot) bool { return p.atOnce })
	end := 0.0
	var agents []alarmAgent
	var zeroed *alarmAgent // the one whose pots' gauges are zeroed
	agent := func() *alarmAgent {
		agents = append(agents, alarmAgent{name: fmt.Sprintf("quay-%d", len(agents)+1), period: slowPeriod})
		return &agents[len(agents)-1]
	}
	of := agent()
	for _, p := range pots {
		end = max(end, p.minutes)
		if p.zeroed == "" {
			if len(of.pots) == slowMost {
				of = agent()
			}
			of.pots = append(of.pots, p.alarmPot)
		}
	}
	zeroed = agent()
	for _, p := range pots {
		if p.zeroed != "" {
			zeroed.pots = append(zeroed.pots, p.alarmPot)
		}
	}

	x := &slowSite{site: newSite(t), t: t, hook: newHook(t), pots: pots, done: map[string]bool{}, refused: map[string]string{}}
	x.truth = x.dir + "/truth.jsonl"
	x.write("sim.yaml", alarmSim(agents, ""))
	site := func() { x.write("site.yaml", alarmServer(agents, `{embedded: "$MQTT"}`)+x.hook.config(x.site)) }
	site()
	serve := func() *program {
		p := x.start("gritwatch-server", "run", "--config", "site.yaml")
		p.says("dashboard: ", soon)
		x.pages = append(x.pages, x.frames())
		return p
	}
	x.page = x.follow(x.expected(), 75*time.Minute)
	server := serve()
	x.page.opened()
	sim := x.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", x.truth, "--truth-every", slowTruth.String())
	sim.says("lines ready", soon)
	began := time.Now()
	begin := func(a *alarmAgent) *program {
		x.write(a.name+".yaml", a.config(x.mqtt, ""))
		return x.start("gritwatch-agent", "run", "--config", a.name+".yaml")
	}
	var programs []*program
	for i := range agents[:len(agents)-1] {
		programs = append(programs, begin(&agents[i]))
	}
	far := begin(zeroed)
	programs = append(programs, sim, server, far)
	alive := func() {
		t.Helper()
		for _, p := range programs {
			select {
			case <-p.done:
				t.Fatalf("%s has ended: %v", p.name, p.err)
			default:
			}
		}
	}

	x.until(zeroAt, overdue, "the minute at which a zero is recorded", alive, func() bool { return true })
	for i := range zeroed.pots {
		z := slices.IndexFunc(pots, func(p slowPot) bool { return p.name == zeroed.pots[i].name })
		zeroed.pots[i].zero = pots[z].zeroed
	}
	far.stop()
	server.stop()
	site()
	programs[len(programs)-2], programs[len(programs)-1] = serve(), begin(zeroed)
	if x.until(end, overdue, "the end of all that is to end", alive, x.over) {
		x.until(0, pageEnds, "the page has seen all of it", alive, x.page.ended)
	}
	x.judge()
	x.page.end()
	x.page.compare(x.hook.all())

	took := time.Since(began)
	var load []string
	var all time.Duration
	for _, p := range slices.Concat(programs, []*program{server, far}) {
		p.stop()
		if state := p.cmd.ProcessState; state != nil {
			used := state.UserTime() + state.SystemTime()
			all += used
			load = append(load, fmt.Sprintf("%s %.0f s", p.name, used.Seconds()))
		}
	}
	t.Logf("%d pots at 10 Hz for %v took %.2f of a core: %s", len(pots), took.Round(time.Second), all.Seconds()/took.Seconds(), strings.Join(load, ", "))
}

// A slowSite is the site on which slowPots are played as they are.
type slowSite struct {
	*site
	t       *testing.T
	hook    *hook
	page    *pageFollower
	pages   []*frames // one for each start of the server
	pots    []slowPot
	truth   string
	done    map[string]bool   // works
	refused map[string]string // acknowledgements, by the alarm
	excused []string          // what the machine is to have made
}

// A played is a moment of the simulator.
type played struct {
	T   time.Time `json:"t"`
	AtS float64   `json:"at_s"`
}

// minute is where the simulator was at an instant, minutes.
func (x *slowSite) minute(at time.Time) float64 {
	rows := jsonLines[played](x.t, x.truth)
	i, _ := slices.BinarySearchFunc(rows, at, func(r played, at time.Time) int { return r.T.Compare(at) })
	if i == 0 {
		return 0
	}
	r := rows[i-1]
	return (r.AtS + min(at.Sub(r.T), slowTruth).Seconds()) / 60
}

// late is how long the simulator was late in all.
func (x *slowSite) late() (sum time.Duration) {
	var last time.Time
	for _, r := range jsonLines[played](x.t, x.truth) {
		if d := r.T.Sub(last); !last.IsZero() && d > slowTruth+forgiven {
			sum += d - slowTruth
		}
		last = r.T
	}
	return sum
}

// What a busy machine may spoil, and by how much.
const (
	stalls      = 2 * forgiven     // the simulator writes a row of the truth so much too late: then it stood still
	stalledFor  = 10 * time.Second // no vent here takes longer: what is raised so long after may tell of the vent in which it stood still
	silentFor   = 2 * time.Second  // without a reading: then a vessel's pressure is not known
	silentAfter = 3 * time.Second  // an alarm of it is told so long after the silence at most
	torn        = 500 * time.Millisecond
	tornPress   = 2.0 // minutes: where readings of that time are missing a press or a vent is not timed, and the next ones tell
	mostExcused = 3   // alarms in all
)

// excuse is what the machine has done by which an alarm of a pot is raised at an instant and should not be; empty: nothing. A simulator
// that stands still shows a vent that stands still. An agent that waits for the processor for two seconds has not heard of the vessel
// for two seconds. Missing readings excuse nothing else.
func (x *slowSite) excuse(pot, kind string, at time.Time) string {
	switch kind {
	case "vent-slow", "vessel-held", "pressure-creep", "stop-slow":
		if late, ago := x.stalled(at); late > 0 {
			return fmt.Sprintf("the simulator stood still for %v, %v before", late.Round(time.Millisecond), ago.Round(time.Millisecond))
		}
	case "vessel-unknown":
		if hole := x.hole(pot, at.Add(-silentFor-silentAfter), at); hole > silentFor {
			return fmt.Sprintf("no reading came for %v", hole.Round(time.Millisecond))
		}
	}
	return ""
}

// stalled tells for how long the simulator stood still last before an instant, and how long before; 0: it did not.
func (x *slowSite) stalled(at time.Time) (late, ago time.Duration) {
	rows := jsonLines[played](x.t, x.truth)
	i, _ := slices.BinarySearchFunc(rows, at, func(r played, at time.Time) int { return r.T.Compare(at) })
	for i = min(i, len(rows)-1); i > 0 && at.Sub(rows[i].T) < stalledFor; i-- {
		if late = rows[i].T.Sub(rows[i-1].T) - slowTruth; late > stalls {
			return late, max(0, at.Sub(rows[i].T))
		}
	}
	return 0, 0
}

// hole is the longest time without a reading of a pot between two instants.
func (x *slowSite) hole(pot string, from, to time.Time) (longest time.Duration) {
	x.t.Helper()
	span := url.Values{"from": {from.UTC().Format(time.RFC3339Nano)}, "to": {to.UTC().Format(time.RFC3339Nano)}}
	body, _, err := x.fetch("/api/v1/pots/"+pot+"/export.csv", span)
	if err != nil {
		x.t.Errorf("readings of %s: %v", pot, err)
		return 0
	}
	var last time.Time
	for line := range strings.Lines(string(body)) {
		text, _, _ := strings.Cut(line, ",")
		if now, err := time.Parse(time.RFC3339Nano, text); err == nil { // else it is the header
			if !last.IsZero() {
				longest = max(longest, now.Sub(last))
			}
			last = now
		}
	}
	if last.IsZero() {
		last = from
	}
	return max(longest, to.Sub(last))
}

// TestExcuse: what a machine that stood still may have made is excused, and nothing else.
func TestExcuse(t *testing.T) {
	t.Parallel()
	begin := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	at := func(s float64) time.Time { return begin.Add(time.Duration(s * float64(time.Second))) }
	readings := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from, _ := time.Parse(time.RFC3339Nano, r.URL.Query().Get("from"))
		to, _ := time.Parse(time.RFC3339Nano, r.URL.Query().Get("to"))
		fmt.Fprintln(w, "time,vessel")
		for s := 0.0; s < 200; s += 0.1 {
			if x := at(s); !x.Before(from) && !x.After(to) && (s < 100 || s > 102.5) {
				fmt.Fprintf(w, "%s,1\n", x.Format(time.RFC3339Nano))
			}
		}
	}))
	defer readings.Close()
	x := &slowSite{t: t, site: &site{t: t, dir: t.TempDir(), http: readings.Listener.Addr().String()}}
	x.truth = x.dir + "/truth.jsonl"
	var rows strings.Builder
	for s := range 150 {
		late := 0.0
		if s >= 50 { // it stood still for 0.3 s before this row, and plays later from then on
			late = 0.3
		}
		for range 2 { // of two pots
			fmt.Fprintf(&rows, "{\"t\":\"%s\",\"at_s\":%d}\n", at(float64(s)+late).Format(time.RFC3339Nano), s)
		}
	}
	if err := os.WriteFile(x.truth, []byte(rows.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		kind string
		at   float64
		says string // empty: it is not excused
	}{
		{"vent-slow", 48, ""}, {"vent-slow", 50.2, "300ms"}, {"vessel-held", 55, "4.7s before"}, {"stop-slow", 60.2, "300ms"}, {"vent-slow", 60.4, ""},
		{"nozzle-worn", 51, ""}, {"pot-empty", 51, ""}, {"vessel-unknown", 51, ""},
		{"vessel-unknown", 101.9, ""}, {"vessel-unknown", 102.1, "2.1"}, {"vessel-unknown", 104.9, "2.6"}, {"vessel-unknown", 108, ""}, {"abrasive-stopped", 102.4, ""}, {"vent-slow", 102.4, ""},
	} {
		if got := x.excuse("alder", c.kind, at(c.at)); (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s after %g s: %q, want %q", c.kind, c.at, got, c.says)
		}
	}
}

// expected are the alarms that are followed at the page: the first of each that is wanted.
func (x *slowSite) expected() (out []toFollow) {
	for _, p := range x.pots {
		for _, w := range p.want {
			kind, _, _ := strings.Cut(w.kind, " ")
			out = append(out, toFollow{Pot: p.name, Kind: kind})
		}
	}
	return out
}

// until has people do what they do until the simulator is at a minute and what is waited for has come; false: it has not, though the
// machine was given the time that the simulator was late, and patience.
func (x *slowSite) until(end float64, patience time.Duration, what string, alive func(), over func() bool) bool {
	x.t.Helper()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	began := time.Now()
	due := time.Duration(max(0, end-x.minute(began))*float64(time.Minute)) - x.late() + patience
	for range tick.C {
		alive()
		now := x.minute(time.Now())
		x.work(now)
		x.acknowledge()
		if now >= end && over() {
			return true
		}
		if waited := time.Since(began); waited > due+x.late() {
			x.t.Errorf("not within %v: %s", waited.Round(time.Second), what) // judge says what is missing
			return false
		}
	}
	return false
}

// over tells whether all that is wanted has come and gone, as the webhook was told.
func (x *slowSite) over() bool {
	got := x.hook.all()
	for i := range x.pots {
		for _, w := range x.pots[i].want {
			if x.ended(got, x.first(got, x.pots[i].name, w.kind).ID).ID == "" {
				return false
			}
		}
	}
	return true
}

// first is the first that was told of an alarm of a pot; the zero value: nothing was.
func (x *slowSite) first(got []hooked, pot, kind string) hooked {
	i := slices.IndexFunc(got, func(a hooked) bool { return a.Pot == pot && slowKind(a.Kind, a.Fault) == kind })
	if i < 0 {
		return hooked{}
	}
	return got[i]
}

// ended is what was told of an alarm's end; the zero value: nothing was.
func (x *slowSite) ended(got []hooked, id string) hooked {
	i := slices.IndexFunc(got, func(a hooked) bool { return a.ID == id && a.State == "normal" })
	if i < 0 {
		return hooked{}
	}
	return got[i]
}

// work records what was done by now, as R. Malone.
func (x *slowSite) work(now float64) {
	x.t.Helper()
	for _, p := range x.pots {
		for _, w := range p.works {
			key := fmt.Sprintf("%s %s %s", p.name, w.part, w.does)
			if now < w.at || x.done[key] {
				continue
			}
			x.done[key] = true
			var out live.Service
			if err := x.post("/api/v1/pots/"+p.name+"/services", live.NewService{Part: w.part, Work: w.does, By: "R. Malone"}, &out); err != nil || out.By != "R. Malone" {
				x.t.Errorf("%s: %v %+v", key, err, out)
			}
		}
	}
}

// post sends a document, and reads what was made of it.
func (x *slowSite) post(path string, in, out any) error {
	text, err := json.Marshal(in)
	if err != nil {
		return err
	}
	client := http.Client{Timeout: soon}
	res, err := client.Post("http://"+x.http+path, "application/json", bytes.NewReader(text))
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if text, err = io.ReadAll(res.Body); err == nil && res.StatusCode != http.StatusCreated {
		err = fmt.Errorf("%s: %s", res.Status, text)
	}
	if err == nil {
		err = json.Unmarshal(text, out)
	}
	return err
}

// acknowledge has Ida acknowledge whatever was raised a while ago, but for what she has at the page.
func (x *slowSite) acknowledge() {
	for _, a := range x.pages[len(x.pages)-1].now() {
		raised, err := time.Parse(time.RFC3339Nano, a.Raised)
		if err != nil {
			x.t.Errorf("%s of %s was raised at %q: %v", a.Alarm, a.Pot, a.Raised, err)
		}
		after := looksAfter
		if x.page.has(a.ID, a.Pot, a.Alarm) {
			after = pageLooks // then the page has not, which is told in the end
		}
		if time.Since(raised) > after && slices.Contains(a.Can, "acknowledge") {
			if err := x.act(a.ID, "acknowledge"); err != nil {
				x.refused[a.ID] = err.Error() // it may have ended in between: then judge fails
			}
		}
	}
}

// judge holds all that was raised to what is laid down, and page, webhook and history to each other, and prints a table.
func (x *slowSite) judge() {
	t := x.t
	late := x.late()
	if late > 0 {
		t.Logf("the simulator was late by %v in all", late.Round(time.Millisecond))
	}
	if took := jsonLines[played](t, x.truth); late.Seconds() > mostLate*took[len(took)-1].AtS {
		t.Errorf("the machine was too busy to judge by: play it again on a quieter one")
		return
	}
	var got []hooked
	var history map[string]live.Alarm
	var apart []string
	for began := time.Now(); ; { // what happens just now may have come to the one and not yet to the other
		got, history = x.hook.all(), x.history()
		if apart = x.apart(got, history); len(apart) == 0 || time.Since(began) > soon {
			break
		}
	}
	for _, problem := range apart {
		t.Error(problem)
	}
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "pot\talarm\tpriority\traised, min\ton the page, ms after\tended, min\tby\thistory")
	wanted := map[string]bool{} // ids
	for i := range x.pots {
		p := &x.pots[i]
		for _, want := range p.want {
			a := x.first(got, p.name, want.kind)
			if a.ID == "" {
				t.Errorf("%s: %s was not told", p.name, want.kind)
				continue
			}
			wanted[a.ID] = true
			at, end := x.minute(a.at), x.ended(got, a.ID)
			to := want.to
			if at > to && at <= to+tornPress {
				if hole := x.hole(p.name, a.at.Add(-2*time.Duration(tornPress*float64(time.Minute))), a.at); hole > torn {
					to += tornPress
					x.excused = append(x.excused, fmt.Sprintf("%s: %s came after %.2f min, up to %g; no reading came for %v", p.name, want.kind, at, want.to, hole.Round(time.Millisecond)))
				}
			}
			if at < want.from || at > to {
				t.Errorf("%s: %s was told after %.2f min, should be from %g to %g", p.name, want.kind, at, want.from, to)
			}
			if a.Event != "raised" || a.State != "unacknowledged" || a.Says == "" || len(a.Do) == 0 || !a.Simulated || a.LateS != 0 {
				t.Errorf("%s: %+v", p.name, a)
			}
			shown, ok := time.Time{}, false
			for _, f := range x.pages {
				if !ok {
					shown, ok = f.first(func(s live.StandingAlarm) bool { return s.ID == a.ID })
				}
			}
			if !ok || shown.Sub(a.at).Abs() > time.Second+late {
				t.Errorf("%s: %s was shown by a page: %v, %v after it was told", p.name, want.kind, ok, shown.Sub(a.at))
			}
			ended, by := "-", "itself"
			if end.ID == "" {
				t.Errorf("%s: the end of %s was not told; what Ida was refused: %q", p.name, want.kind, x.refused[a.ID])
			} else {
				ended = fmt.Sprintf("%.2f", x.minute(end.at))
			}
			switch {
			case p.zeroed != "":
				by = "zero"
			case len(p.works) > 0:
				by = p.works[0].part + " " + p.works[0].does
				if end.ID != "" && x.minute(end.at) < p.works[0].at {
					t.Errorf("%s: %s ended after %s min, before %s", p.name, want.kind, ended, by)
				}
			}
			if slices.ContainsFunc(x.pages[len(x.pages)-1].now(), func(s live.StandingAlarm) bool { return s.ID == a.ID }) {
				t.Errorf("%s: %s stands on the page, and has ended", p.name, want.kind)
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%.2f\t%.0f\t%s\t%s\t%s\n", p.name, want.kind, a.Priority, at, float64(shown.Sub(a.at).Microseconds())/1000, ended, by, steps(history[a.ID]))
		}
	}
	x.whole(history, wanted, w)
	if len(x.excused) > mostExcused {
		t.Errorf("%d are too many that the machine is to have made, of which %d may be", len(x.excused), mostExcused)
	}
	for _, e := range x.excused {
		fmt.Fprintln(w, "excused: "+e)
	}
	w.Flush()
	t.Logf("\n%s", out.String())
}

// history is all that the API tells of alarms, by their ids.
func (x *slowSite) history() map[string]live.Alarm {
	x.t.Helper()
	out := map[string]live.Alarm{}
	if err := list(x.site, "/api/v1/alarms", func(p *live.Alarms) (int, string) {
		for _, a := range p.Alarms {
			out[a.ID] = a
		}
		return len(p.Alarms), p.Next
	}); err != nil {
		x.t.Fatal(err)
	}
	return out
}

// apart are the beginnings and ends that only one of history and webhook knows of.
func (x *slowSite) apart(got []hooked, history map[string]live.Alarm) (problems []string) {
	for _, a := range got {
		if _, ok := history[a.ID]; !ok {
			problems = append(problems, fmt.Sprintf("%s of %s%s was told, and is not in the history", a.Kind, a.Pot, a.Agent))
		}
	}
	for _, a := range history {
		raised := slices.ContainsFunc(got, func(h hooked) bool { return h.ID == a.ID && h.Event == "raised" })
		if ended := x.ended(got, a.ID).ID != ""; !raised || ended != (a.Ended != "") {
			problems = append(problems, fmt.Sprintf("%s of %s%s: its beginning was told: %v, its end: %v; in the history: %s", a.Alarm, a.Pot, a.Agent, raised, ended, steps(a)))
		}
	}
	return problems
}

// whole holds each alarm of the history to what is laid down, and lists those that were raised and not wanted.
func (x *slowSite) whole(history map[string]live.Alarm, wanted map[string]bool, w io.Writer) {
	t := x.t
	for _, id := range slices.Sorted(maps.Keys(history)) {
		a := history[id]
		d, err := get[live.AlarmDetail](x.site, "/api/v1/alarms/"+id)
		if err != nil || len(d.Transitions) < len(a.Transitions) || d.Transitions[0].Event != "raised" || d.AnswerRule == "" || d.Text.Says == "" {
			t.Errorf("%s of %s%s in the history: %v %+v", a.Alarm, a.Pot, a.Agent, err, d)
			continue
		}
		acknowledged := slices.ContainsFunc(d.Transitions, func(s live.Transition) bool { return s.Event == "acknowledged" && s.By == "Ida" })
		returned := slices.ContainsFunc(d.Transitions, func(s live.Transition) bool { return s.Event == "returned" })
		if wanted[id] && (!acknowledged || !returned) {
			t.Errorf("%s of %s in the history: %s", a.Alarm, a.Pot, steps(d.Alarm))
		}
		at, err := time.Parse(time.RFC3339Nano, d.Raised)
		if err != nil {
			t.Error(err)
		}
		kind := slowKind(a.Alarm, d.Evidence.Fault)
		i := slices.IndexFunc(x.pots, func(p slowPot) bool { return p.name == a.Pot })
		if wanted[id] {
			continue
		}
		by, stays := "", false
		if i >= 0 {
			by, stays = x.pots[i].allows(kind, x.minute(at))
		}
		if stays && a.Ended != "" {
			t.Errorf("%s: %s, raised after %.2f min, has ended, and nobody has ended it: %s", a.Pot, kind, x.minute(at), steps(d.Alarm))
		}
		if by == "" {
			if by = x.excuse(a.Pot, a.Alarm, at); by != "" {
				x.excused = append(x.excused, fmt.Sprintf("%s: %s (%s) was raised after %.2f min; %s", a.Pot, kind, a.Priority, x.minute(at), by))
			} else {
				by = "UNWANTED"
				shows := d.Evidence
				shows.Trace, shows.Envelope = nil, nil
				text, err := json.Marshal(shows)
				t.Errorf("%s%s: %s (%s) was raised after %.2f min, by %s %v", a.Pot, a.Agent, kind, a.Priority, x.minute(at), text, err)
			}
		}
		fmt.Fprintf(w, "%s%s\t%s\t%s\t%.2f\t\t\t%s\t%s\n", a.Pot, a.Agent, kind, a.Priority, x.minute(at), by, steps(d.Alarm))
	}
}

// steps are those of an alarm's life.
func steps(a live.Alarm) string {
	var out []string
	for _, s := range a.Transitions {
		out = append(out, s.Event)
	}
	return strings.Join(out, " ")
}
