package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/journal"
	"gritwatch/internal/program"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

type journalFlags struct {
	Config  string `xor:"where" required:"" placeholder:"FILE" help:"The agent's file, agent.yaml, which names the journal's folder."`
	Folder  string `xor:"where" required:"" placeholder:"PATH" help:"The journal's folder itself, for example on a card out of another machine."`
	Records bool   `help:"Write the records, as lines of JSON; how the journal stands goes to standard error then."`
	CSV     bool   `name:"csv" help:"With --records: as CSV, with a header."`
}

// A readOnly folder is one that somebody else may be writing to: it is not locked, and nothing in it is changed.
type readOnly struct{ path string }

func (readOnly) Lock() (io.Closer, error)              { return io.NopCloser(nil), nil }
func (f readOnly) List() ([]journal.Entry, error)      { return journal.Dir(f.path).List() }
func (readOnly) Create(string) (journal.File, error)   { return nil, syscall.EROFS }
func (readOnly) Remove(string) error                   { return syscall.EROFS }
func (readOnly) Sync() error                           { return syscall.EROFS }
func (f readOnly) Open(n string) (journal.File, error) { return os.Open(filepath.Join(f.path, n)) }

// tellJournal says how a journal stands, and writes its records if they are asked for. The agent may be running: then
// what it has appended since it wrote last (half a second at most) is not there yet.
func tellJournal(ctx context.Context, f journalFlags, stdout, stderr io.Writer) error {
	if f.CSV && !f.Records {
		return fmt.Errorf("--csv %w without --records", program.ErrUsage)
	}
	path := f.Folder
	var c config.Config
	if f.Config != "" {
		var err error
		if c, err = read(f.Config); err != nil {
			return err
		}
		path = c.Journal.Path
	}
	folder := readOnly{path}
	there, err := folder.List()
	if err != nil {
		return fmt.Errorf("the journal's folder %w: %w; name the one that the agent was run with", program.ErrUsage, err)
	}
	if !slices.ContainsFunc(there, func(e journal.Entry) bool { return strings.HasSuffix(e.Name, ".segment") }) {
		return fmt.Errorf("%s holds no journal; name the folder that the agent was run with", path)
	}
	// Its bounds are the agent's matter: here nothing is dropped.
	j, err := journal.Open(journal.Options{Folder: folder, MaxBytes: math.MaxInt64 / 2, MaxAge: math.MaxInt64 / 2})
	if err != nil {
		return err
	}
	defer j.Close() // it only read

	about := stdout
	var sink records = new(nowhere)
	if f.Records {
		about = stderr
		electric := map[string]bool{}
		for _, p := range c.Pots {
			electric[p.Name] = p.Control.Electric
		}
		sink = newLines(stdout, electric)
		if f.CSV {
			sink = newTable(stdout, electric)
		}
	}
	var sum summary
	err = errors.Join(sum.read(ctx, j, sink), sink.end())
	_, werr := io.WriteString(about, sum.text(path, j.Status()))
	return errors.Join(err, werr)
}

// A summary is what a journal's records are, all in all.
type summary struct {
	records     uint64
	pots        map[string]uint64
	end         uint64 // position behind the last
	first, last si.Instant
	missing     uint64 // positions before the last record that hold none
}

// read goes through all records. What the disk does not give is passed over, and is an error in the end.
func (s *summary) read(ctx context.Context, j *journal.Journal, sink records) error {
	s.pots = map[string]uint64{}
	st := j.Status()
	s.end = st.Oldest
	var failed error
	for at := st.Oldest; at < st.Next; {
		again := false
		for b, err := range j.Read(at, st.Next) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			var old *journal.TooOldError
			var bad *journal.UnreadableError
			switch {
			case errors.As(err, &old): // dropped by the agent meanwhile
				at, again = old.Oldest, true
				continue
			case errors.As(err, &bad):
				failed = errors.Join(failed, err)
				at, again = bad.To, true
				continue
			case err != nil:
				return errors.Join(failed, err)
			}
			s.add(b)
			if err := sink.add(b); err != nil {
				return fmt.Errorf("write the records: %w", err)
			}
			at = s.end
		}
		if !again {
			break
		}
	}
	return failed
}

func (s *summary) add(b journal.Batch) {
	s.missing += b.First - s.end
	s.end = b.First + uint64(len(b.Samples))
	s.records += uint64(len(b.Samples))
	s.pots[b.Pot] += uint64(len(b.Samples))
	for _, x := range b.Samples {
		if s.first == 0 || x.At < s.first {
			s.first = x.At
		}
		s.last = max(s.last, x.At)
	}
}

func (s *summary) text(path string, st journal.Status) string {
	var b strings.Builder
	fmt.Fprintf(&b, "journal %s: id %s, %d bytes\n", path, st.ID, st.Bytes)
	if s.records == 0 {
		fmt.Fprintf(&b, "no records from position %d on\n", st.Oldest)
		return b.String()
	}
	fmt.Fprintf(&b, "positions %d to %d: %d records, made from %s to %s by the agent's clock", st.Oldest, s.end-1, s.records, stamp(s.first), stamp(s.last))
	if s.missing > 0 {
		fmt.Fprintf(&b, "; %d positions hold none", s.missing)
	}
	b.WriteByte('\n')
	names := make([]string, 0, len(s.pots))
	for name := range s.pots {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		fmt.Fprintf(&b, "%s: %d records\n", name, s.pots[name])
	}
	safe := min(max(st.Acknowledged, st.Oldest), s.end)
	fmt.Fprintf(&b, "the server had said of all before position %d that it keeps them for good; %d positions from there on may stand nowhere else\n", safe, s.end-safe)
	return b.String()
}

const stampForm = "2006-01-02T15:04:05.000000Z"

func stamp(at si.Instant) string { return at.Time().Format(stampForm) }

// records takes what is read.
type records interface {
	add(b journal.Batch) error
	end() error
}

type nowhere struct{}

func (nowhere) add(journal.Batch) error { return nil }
func (nowhere) end() error              { return nil }

// A line is one record as JSON, in the words of gritwatch-agent watch. Without a reply it has no value.
type line struct {
	Position uint64          `json:"position"`
	T        string          `json:"t"`
	Epoch    uint64          `json:"epoch"`
	Pot      string          `json:"pot"`
	Point    string          `json:"point"`
	Pa       json.RawMessage `json:"pa,omitempty"` // gauge; a number, or a text where it is none that JSON has
	Pressed  *bool           `json:"pressed,omitempty"`
	Quality  string          `json:"quality"`
}

// value is what a record says: a pressure, a switch, or nothing. A handle counts as a switch where the pot's is known to be
// one, or where it was pressed.
func value(electric map[string]bool, pot string, s points.Sample) (pa string, pressed *bool) {
	switch {
	case s.Quality == points.NoReply:
		return "", nil
	case s.Point == points.Control && (electric[pot] || s.Pressed):
		return "", &s.Pressed
	}
	return strconv.FormatFloat(float64(s.Value), 'g', -1, 32), nil
}

type lines struct {
	out      *bufio.Writer
	electric map[string]bool
}

func newLines(out io.Writer, electric map[string]bool) *lines {
	return &lines{bufio.NewWriterSize(out, 1<<16), electric}
}

func (l *lines) add(b journal.Batch) error {
	for i, s := range b.Samples {
		x := line{Position: b.First + uint64(i), T: stamp(s.At), Epoch: b.Epoch, Pot: b.Pot, Point: s.Point.String(), Quality: s.Quality.String()}
		var pa string
		if pa, x.Pressed = value(l.electric, b.Pot, s); pa != "" {
			if v := float64(s.Value); math.IsNaN(v) || math.IsInf(v, 0) {
				pa = strconv.Quote(pa)
			}
			x.Pa = json.RawMessage(pa)
		}
		text, err := json.Marshal(x)
		if err != nil {
			return err
		}
		if _, err := l.out.Write(append(text, '\n')); err != nil {
			return err
		}
	}
	return nil
}

func (l *lines) end() error { return l.out.Flush() }

type table struct {
	out      *csv.Writer
	electric map[string]bool
	begun    bool
}

func newTable(out io.Writer, electric map[string]bool) *table {
	return &table{out: csv.NewWriter(out), electric: electric}
}

func (t *table) begin() error {
	if t.begun {
		return nil
	}
	t.begun = true
	return t.out.Write(strings.Fields("position time epoch pot point pa pressed quality"))
}

func (t *table) add(b journal.Batch) error {
	if err := t.begin(); err != nil {
		return err
	}
	epoch := strconv.FormatUint(b.Epoch, 10)
	for i, s := range b.Samples {
		pa, pressed := value(t.electric, b.Pot, s)
		is := ""
		if pressed != nil {
			is = strconv.FormatBool(*pressed)
		}
		if err := t.out.Write([]string{strconv.FormatUint(b.First+uint64(i), 10), stamp(s.At), epoch, b.Pot, s.Point.String(), pa, is, s.Quality.String()}); err != nil {
			return err
		}
	}
	return nil
}

func (t *table) end() error {
	if err := t.begin(); err != nil {
		return err
	}
	t.out.Flush()
	return t.out.Error()
}
