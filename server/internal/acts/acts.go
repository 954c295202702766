// Package acts does with alarms what people want done, whichever way they say it: posted to the API, or over the WebSocket of a
// page. Both come by Book.Do, so that both are held to the same bounds, have the same effect and are refused in the same words.
package acts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/records"
)

// Standing are the alarms that are in memory; *desk.Desk has them.
type Standing interface {
	// Alarms are the open ones in the order in which people should look at them. Nobody changes the list.
	Alarms() ([]live.StandingAlarm, uint64)
	// Alarm is one that is open, or has ended lately, with its transitions; false: it is neither.
	Alarm(id string) (records.Alarm, bool)
}

// Alarms are the standing ones, and what may be done with them; *desk.Desk is such.
type Alarms interface {
	Standing
	// Do does what a person wants done. stored waits until that is on the disk. What is refused is an *alarm.Refusal.
	Do(id string, act desk.Act, now time.Time) (stored func(context.Context) error, err error)
	// CommentAfter keeps a comment on an alarm that is open no more, and gives the alarm with it.
	CommentAfter(r records.Alarm, act desk.Act, now time.Time) (with records.Alarm, stored func(context.Context) error, err error)
}

// Records give alarms that are in memory no more; records.Records are such.
type Records interface {
	Alarm(ctx context.Context, id string) (records.Alarm, bool, error)
	// Fault tells what keeps records from being stored now; false: nothing.
	Fault() (records.Fault, bool)
}

// Unstored is what is said where something is done and not on the disk yet.
const Unstored = "records are not stored at present, and the server's log says why; what is to be stored waits"

// Bounds of what people write, and of what is waited for. Reads have places of their own, beside those of the API's lists and history: what
// somebody wants done with an alarm must not wait behind them, which may take half a minute each.
const (
	longestName = 64  // characters
	longestNote = 500 // characters
	longestID   = 64  // bytes; a ULID has 26
	storedIn    = 2 * time.Second
	readsAtOnce = 2 // of the records, for alarms that are in memory no more
	readIn      = 5 * time.Second
)

// A Refusal is why something was not done, for people: an HTTP status and words. It changed nothing.
type Refusal struct {
	Status int
	Says   string
}

func (r *Refusal) Error() string { return r.Says }

// refused is a Refusal with its words put together.
func refused(status int, format string, args ...any) *Refusal {
	return &Refusal{status, fmt.Sprintf(format, args...)}
}

// A Book is safe for concurrent use.
type Book struct {
	alarms  Alarms
	records Records
	log     *slog.Logger
	reads   chan struct{} // has room for those that read the records
}

// New is the book over standing alarms and the records. All are needed.
func New(a Alarms, r Records, log *slog.Logger) *Book {
	return &Book{alarms: a, records: r, log: log, reads: make(chan struct{}, readsAtOnce)}
}

// Find is the alarm of an id, from memory, else from the records; else why there is none, or why it cannot be read.
func (b *Book) Find(ctx context.Context, id string) (records.Alarm, *Refusal) {
	if x, ok := b.alarms.Alarm(id); ok {
		return x, nil
	}
	none := refused(http.StatusNotFound, "no alarm of this id; GET /api/v1/alarms lists them")
	if len(id) > longestID {
		return records.Alarm{}, none
	}
	ctx, cancel := context.WithTimeout(ctx, readIn)
	defer cancel()
	select {
	case b.reads <- struct{}{}:
		defer func() { <-b.reads }()
	case <-ctx.Done():
		return records.Alarm{}, refused(http.StatusServiceUnavailable, "too many others read what is stored; ask again")
	}
	x, ok, err := b.records.Alarm(ctx, id)
	switch {
	case err != nil:
		b.log.LogAttrs(ctx, slog.LevelError, "an alarm cannot be read from the records", slog.String("alarm", id), slog.String("reason", err.Error()))
		return x, refused(http.StatusServiceUnavailable, "what is stored cannot be read at the moment, and the server's log says why; open alarms go on. Ask again")
	case !ok:
		return x, none
	}
	return x, nil
}

// Done is an alarm with which something was done.
type Done struct {
	Alarm  records.Alarm // as it is then, with its transitions
	Stored bool          // what was done is on the disk
}

// Do does with the alarm of an id what a person wants done. It waits a little for that to be stored, for whoever reads the answer; what
// is done has its effect all the same.
func (b *Book) Do(ctx context.Context, id, deed string, in live.AlarmAct) (Done, *Refusal) {
	act, err := actOf(deed, in)
	if err != nil {
		return Done{}, refused(http.StatusBadRequest, "%v", err)
	}
	stored, err := b.alarms.Do(id, act, time.Now())
	var after records.Alarm // with a comment, where it is open no more
	if deed == alarm.DoComment && errors.Is(err, alarm.ErrUnknown) {
		x, none := b.Find(ctx, id)
		if none != nil {
			return Done{}, none
		}
		after, stored, err = b.alarms.CommentAfter(x, act, time.Now())
	}
	var refusal *alarm.Refusal
	switch {
	case errors.Is(err, alarm.ErrUnknown):
		x, none := b.Find(ctx, id)
		if none != nil {
			return Done{}, none
		}
		return Done{}, b.over(deed, &x)
	case errors.As(err, &refusal):
		return Done{}, refused(http.StatusConflict, "%v", refusal)
	case err != nil:
		b.log.LogAttrs(ctx, slog.LevelError, "nothing could be done with an alarm", slog.String("alarm", id), slog.String("deed", deed), slog.String("reason", err.Error()))
		return Done{}, refused(http.StatusInternalServerError, "")
	}
	x, ok := b.alarms.Alarm(id)
	if !ok {
		x = after
	}
	ctx, cancel := context.WithTimeout(ctx, storedIn)
	defer cancel()
	return Done{Alarm: x, Stored: stored(ctx) == nil}, nil
}

// over says why nothing can be done with an alarm that is on no board.
func (b *Book) over(deed string, x *records.Alarm) *Refusal {
	if x.Ended == 0 {
		return refused(http.StatusConflict, "cannot %s %s: this version of the server cannot read how it stands, and its log says why; it can be commented on", deed, x.Kind)
	}
	return refused(http.StatusConflict, "cannot %s %s: it ended at %v", deed, x.Kind, x.Ended)
}

// Ask does what a page asks for over its WebSocket, and gives what the page is told.
func (b *Book) Ask(ctx context.Context, r live.ActRequest) live.Outcome {
	done, refusal := b.Do(ctx, r.Alarm, r.Deed, r.AlarmAct)
	if refusal != nil {
		return live.Refused(r.Request, refusal.Status, refusal.Says)
	}
	out := live.Outcome{Type: "done", Request: r.Request}
	list, _ := b.alarms.Alarms()
	if i := slices.IndexFunc(list, func(s live.StandingAlarm) bool { return s.ID == r.Alarm }); i >= 0 {
		out.Alarm = &list[i]
	}
	if _, faulty := b.records.Fault(); faulty || !done.Stored {
		out.Fault = Unstored
	}
	return out
}

// actOf is what was sent, where it is in order.
func actOf(deed string, in live.AlarmAct) (desk.Act, error) {
	out := desk.Act{Deed: deed, By: strings.TrimSpace(in.By), Note: strings.TrimSpace(in.Note), Seen: in.Seen}
	if !slices.Contains(live.AlarmDeeds(), deed) {
		return out, fmt.Errorf("deed is one of %s", strings.Join(live.AlarmDeeds(), ", "))
	}
	for _, x := range []struct {
		name, text string
		most       int
	}{{"by", out.By, longestName}, {"note", out.Note, longestNote}} {
		if n := utf8.RuneCountInString(x.text); n > x.most {
			return out, fmt.Errorf("%s has %d characters; write %d at most", x.name, n, x.most)
		}
		if strings.ContainsFunc(x.text, func(c rune) bool { return unicode.IsControl(c) && c != '\n' && c != '\t' || c == utf8.RuneError }) {
			return out, fmt.Errorf("%s holds characters that cannot be written", x.name)
		}
	}
	if strings.ContainsAny(out.By, "\n\t") {
		return out, errors.New("by is a name, on one line")
	}
	switch {
	case len(in.Seen) > longestID:
		return out, errors.New("seen is the id of a transition, as last of the alarm has it")
	case deed != alarm.DoShelve && in.ForS != nil:
		return out, errors.New("for_s is of a shelf alone")
	case deed != alarm.DoShelve:
	case in.ForS == nil:
		return out, errors.New("for_s is missing: say for how many seconds, 12 hours at most")
	case !(*in.ForS >= 1 && *in.ForS <= 1e6): // the board has a closer limit, and words for it
		return out, errors.New("for_s is a number of seconds, up to 12 hours")
	default:
		out.For = time.Duration(*in.ForS * float64(time.Second))
	}
	return out, nil
}
