package ingest

import (
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

func TestJudgeState(t *testing.T) {
	const stamp, now si.Instant = 1_000_000_000, 1_010_000_000
	for name, c := range map[string]struct {
		online bool
		at     si.Instant
		want   verdict
	}{
		"its own word":                   {true, stamp, leaveIt},
		"online of a connection before":  {true, stamp - 1000, leaveIt},
		"online of a connection after":   {true, stamp + 1000, twin},
		"its own will":                   {false, stamp, sayAgain},
		"will of a connection before":    {false, stamp - 1000, sayAgain},
		"offline of one that came after": {false, stamp + 1000, sayLater},
		"offline a minute ahead":         {false, now.Add(time.Minute) - 1000, sayLater},
		"offline from the far future":    {false, now.Add(time.Hour), sayAgain},
	} {
		if got := judgeState(sparkplug.State{Online: c.online, At: c.at}, stamp, now); got != c.want {
			t.Errorf("%s: %d, want %d", name, got, c.want)
		}
	}
}
