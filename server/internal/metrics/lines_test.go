package metrics_test

import (
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/metrics"
)

// Of the lines of an agent that is dead, silent, or has begun another session, nothing is given.
func TestLinesOfLivingAgents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := metrics.New("harrow-quay", pots{}, func() int { return 0 }, func() int { return 0 })
		if err != nil {
			t.Fatal(err)
		}
		lines := func(agent, session string, requests uint64) feed.Lines {
			l := points.Line{Port: "/dev/" + agent}
			l.Values[points.LineRequests] = requests
			return feed.Lines{Agent: agent, Session: session, Lines: []points.Line{l}}
		}
		echo := func(agent, session string, ago time.Duration) {
			now := time.Now()
			m.Echo(feed.Echo{Agent: agent, Session: session, Sent: now.Add(-ago), Received: now})
		}
		check := func(what, want string) {
			t.Helper()
			text := text(t, m)
			var got []string
			for _, f := range regexp.MustCompile(`gritwatch_line_requests_total\{agent="([^"]*)".* (\d+)\n`).FindAllStringSubmatch(text, -1) {
				got = append(got, f[1]+" "+f[2])
			}
			if s := strings.Join(got, ", "); s != want || (want == "") == strings.Contains(text, "gritwatch_line_") {
				t.Errorf("%s: %q, want %q in\n%s", what, s, want, text)
			}
		}
		check("nothing heard", "")
		echo("quay-1", "s1", 0)
		m.Lines(lines("quay-1", "s1", 5))
		check("an echo before the birth", "")
		echo("quay-1", "s0", 0)
		check("an echo of another session", "")
		echo("quay-1", "s1", 0)
		m.Lines(lines("quay-2", "t1", 7))
		echo("quay-2", "t1", 10*time.Second)
		check("both live", "quay-1 5, quay-2 7")
		m.Lines(lines("quay-1", "s1", 6))
		check("one counts on", "quay-1 6, quay-2 7")
		time.Sleep(5 * time.Second)
		check("15 s after what quay-2 answered", "quay-1 6, quay-2 7")
		time.Sleep(time.Millisecond)
		check("later", "quay-1 6")
		m.Lines(lines("quay-2", "t1", 8))
		check("a message that may be old", "quay-1 6")
		echo("quay-2", "t1", 16*time.Second)
		check("an answer on its way for 16 s", "quay-1 6")
		echo("quay-2", "t1", time.Second)
		check("an answer", "quay-1 6, quay-2 8")
		echo("quay-2", "t1", 20*time.Second)
		check("an answer that was overtaken", "quay-1 6, quay-2 8")
		m.Lines(feed.Lines{Agent: "quay-2", Session: "t1"})
		echo("quay-2", "t1", 0)
		check("death", "quay-1 6")
		m.Lines(lines("quay-1", "s2", 1))
		check("a new session, not yet answered", "")
		echo("quay-1", "s1", 0)
		check("a late answer of the old one", "")
		echo("quay-1", "s2", 0)
		check("the new session", "quay-1 1")
	})
}

// Ports come from outside, and are quoted as Prometheus wants it.
func TestOddPort(t *testing.T) {
	m, err := metrics.New("harrow-quay", pots{}, func() int { return 0 }, func() int { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	m.Lines(feed.Lines{Agent: "quay-1", Lines: []points.Line{{Port: "a\"b\\c\nd\x00"}}})
	m.Echo(feed.Echo{Agent: "quay-1", Sent: time.Now()})
	if got := text(t, m); !strings.Contains(got, `gritwatch_line_open{agent="quay-1",line="1",port="a\"b\\c\nd`) {
		t.Errorf("scrape:\n%s", got)
	}
}
