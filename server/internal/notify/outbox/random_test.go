package outbox_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/outbox"
)

// TestNobodyIsLeftInTheDark: whatever happens to alarms, whatever becomes of messages and however often the server is started
// again, in the end the receiver knows of each alarm that was ever in sight how it stands, and is told nothing twice.
func TestNobodyIsLeftInTheDark(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := outbox.Policy{Acts: rapid.Bool().Draw(t, "acts"), Mixed: rapid.Bool().Draw(t, "mixed"), Gather: 5 * time.Second}
		if rapid.Bool().Draw(t, "quiet hours") {
			p.Quiet = outbox.Hours{From: 12*time.Hour + time.Minute, To: 13 * time.Hour, Zone: time.UTC}
		}
		r := &rig{box: outbox.New(p), now: day, mark: map[string]outbox.Mark{}}
		state, seen, knows := map[string]alarm.State{}, map[string]bool{}, map[string]alarm.State{}
		loudSince := map[string]bool{}
		ids := []string{"a", "b", "birch/c", "birch/d"}
		priority := map[string]alarm.Priority{"a": alarm.Critical, "b": alarm.Medium, "birch/c": alarm.High, "birch/d": alarm.Critical}
		taken := func(b outbox.Batch) {
			for _, e := range b.Entries {
				if k, ok := knows[e.Alarm]; ok && k == e.State && !loudSince[e.Alarm] {
					t.Fatalf("%s is told of %s twice", e.Alarm, e.State)
				}
				knows[e.Alarm], loudSince[e.Alarm] = e.State, false
			}
		}
		send := func(failed *message.Failure) bool {
			b, due, next := r.box.Due(r.now)
			if !due {
				if !next.IsZero() && !next.After(r.now) {
					t.Fatalf("at %v nothing is due, and next is %v", r.now, next)
				}
				return false
			}
			if failed == nil {
				taken(b)
			}
			r.note(r.box.Done(b, failed, r.now))
			return true
		}
		change := func() {
			id := rapid.SampledFrom(ids).Draw(t, "alarm")
			was := state[id]
			now := alarm.State(rapid.IntRange(0, alarm.States-1).Draw(t, "state"))
			if was == now || was == over && seen[id] || was == over && now != stands {
				return
			}
			loud := now == stands
			state[id] = now
			seen[id] = seen[id] || loud
			loudSince[id] = loudSince[id] || loud
			r.put(id, priority[id], now, loud)
		}
		t.Repeat(map[string]func(*rapid.T){
			"change": func(*rapid.T) { change() },
			"pass": func(t *rapid.T) {
				r.now = r.now.Add(time.Duration(rapid.IntRange(0, 600).Draw(t, "s")) * time.Second)
			},
			"taken":   func(*rapid.T) { send(nil) },
			"away":    func(*rapid.T) { send(&message.Failure{}) },
			"refused": func(*rapid.T) { send(&message.Failure{Refused: true}) },
			"changes while it is sent": func(t *rapid.T) {
				b, due, _ := r.box.Due(r.now)
				r.now = r.now.Add(time.Millisecond)
				change()
				if due && rapid.Bool().Draw(t, "taken") {
					// What became loud meanwhile is loud after this message.
					loud := map[string]bool{}
					for _, e := range b.Entries {
						loud[e.Alarm] = loudSince[e.Alarm] && state[e.Alarm] == stands && e.State != stands
					}
					for _, e := range b.Entries {
						knows[e.Alarm], loudSince[e.Alarm] = e.State, loud[e.Alarm]
					}
					r.note(r.box.Done(b, nil, r.now))
				} else if due {
					r.note(r.box.Done(b, &message.Failure{}, r.now))
				}
			},
			"restart": func(*rapid.T) {
				r.box = outbox.New(p)
				marks := r.mark
				r.mark = map[string]outbox.Mark{}
				for _, id := range ids {
					m, known := marks[id]
					if !known && state[id] == over {
						continue
					}
					r.note(r.box.Restore(r.entry(id, priority[id], state[id]), m, known, r.now))
				}
			},
		})
		for end := r.now.Add(25 * time.Hour); r.now.Before(end); {
			if !send(nil) {
				if _, _, next := r.box.Due(r.now); next.IsZero() {
					break
				} else {
					r.now = next
				}
			}
		}
		for _, id := range ids {
			if !seen[id] {
				continue
			}
			k, told := knows[id]
			want := state[id]
			switch hidden := !want.Shown() && want != over; {
			case !told:
				t.Fatalf("nobody was told of %s, now %s", id, want)
			case p.Acts && k != want, !p.Acts && !hidden && kind(k) != kind(want) && !(kind(k) == "ended" && want == over):
				t.Fatalf("%s is %s, and the receiver knows %s", id, want, k)
			}
			if m, kept := r.mark[id]; kept == (state[id] == over) || kept && m.Waiting {
				t.Fatalf("of %s, now %s, is remembered %v %+v", id, state[id], kept, m)
			}
		}
		if c := r.box.Counts(); c.Waiting != 0 || c.Dropped != 0 {
			t.Fatal(fmt.Sprintf("counts %+v", c))
		}
	})
}

// kind is what a state means to one who does not care what people did.
func kind(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged, alarm.Acknowledged:
		return "stands"
	case alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged:
		return "latched"
	case alarm.ReturnedUnacknowledged:
		return "ended"
	}
	return s.String()
}
