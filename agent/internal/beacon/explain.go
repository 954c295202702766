package beacon

import (
	"fmt"
	"time"

	"gritwatch/agent/internal/config"
)

// Explain says of a beacon, line by line, what lights it and puts it out, what each start proves of that, and what not.
func Explain(b config.Beacon) []string {
	if b.Toggled() {
		lines := []string{fmt.Sprintf("lit while the value changes, every %s at most; what it feeds must hold for 1 s and drop out within %s", span(Refresh), span(Critical))}
		if b.Contact == nil {
			return append(lines, "STAYS DARK: "+hopelessChange)
		}
		return append(lines, fmt.Sprintf("each start: discrete input %d must read off with no change made; when it may first be lit, it must read on, and off within %s after the last change, before it is lit to stay", *b.Contact, span(Critical)))
	}
	lines := []string{fmt.Sprintf("lit while 1, written every %s at most; the relay's own watchdog must be set to %s", span(Limit(b)), span(b.Watchdog))}
	if b.Prove == nil {
		lines = append(lines, "STAYS DARK: "+hopelessWatchdog)
	} else {
		lines = append(lines, fmt.Sprintf("each start: %s is energised, the unit left alone for %s, and must have dropped out; nothing may hang on it. Not proven: that the watchdog acts on the beacon's own output", *b.Prove, span(b.Watchdog+margin)))
	}
	if b.Contact != nil {
		return append(lines, fmt.Sprintf("its contact is read at discrete input %d", *b.Contact))
	}
	return append(lines, "no contact input: a welded contact that the relay does not know of is not seen")
}

// span is a time as it stands in the file.
func span(d time.Duration) string {
	if d < time.Second {
		return fmt.Sprintf("%.4g ms", float64(d)/1e6)
	}
	return fmt.Sprintf("%.4g s", d.Seconds())
}

// Why a beacon can never be lit.
const (
	hopelessChange   = "nothing shows whether it drops out: wire a contact of its relay to a discrete input and write contact: N"
	hopelessWatchdog = "nothing shows whether it drops out before it is lit: write prove: {coil: N} with an output of the same relay on which nothing hangs"
)
