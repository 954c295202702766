package replay

import (
	"fmt"
	"strings"
	"time"
)

// A Bar shows how far a replay is, on a line of a terminal.
type Bar struct {
	Show func(text string) // replaces the line
	Now  func() time.Time
	In   *Input

	begun, drawn time.Time
	base         int // rows when it began
}

const (
	barWidth  = 30
	drawEvery = 200 * time.Millisecond
)

// Rows draws the bar for a number of rows, unless it was drawn just before.
func (b *Bar) Rows(rows int) {
	now := b.Now()
	if b.begun.IsZero() {
		b.begun, b.drawn, b.base = now, now, rows
		return
	}
	if now.Sub(b.drawn) < drawEvery {
		return
	}
	b.drawn = now
	text := fmt.Sprintf("%s rows, %s rows/s", thousands(rows), thousands(int(float64(rows-b.base)/now.Sub(b.begun).Seconds())))
	if b.In.Size > 0 {
		share := min(1, float64(b.In.Taken())/float64(b.In.Size))
		full := int(share * barWidth)
		text = fmt.Sprintf("[%s%s] %3.0f %%  %s", strings.Repeat("=", full), strings.Repeat(" ", barWidth-full), 100*share, text)
	}
	b.Show(text)
}

// Clear takes the bar away.
func (b *Bar) Clear() { b.Show("") }

// thousands writes a number in groups of three digits.
func thousands(n int) string {
	if n < 1000 {
		return fmt.Sprint(n)
	}
	return fmt.Sprintf("%s %03d", thousands(n/1000), n%1000)
}
