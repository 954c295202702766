package e2e_test

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/live"
)

// A fact is one reading with a value, by what names it everywhere: pot, point, the agent's time and the bits of its 32-bit
// value, Pa. The time is cut to milliseconds, as Sparkplug's timestamps are: what is stored came that way. An epoch is left out: what is read does not know it, and a reading that was stored under two is there
// twice.
type fact struct {
	pot, point string
	at         int64 // ms
	bits       uint32
}

// A heard is a reading as the agent had it from the line.
type heard struct {
	fact
	true    time.Time // by the machine's clock
	quality string
}

// readHeard is what an agent read in all its runs.
func readHeard(path string) (out []heard, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		var h heard
		var us int64
		if _, err := fmt.Sscan(lines.Text(), &us, &h.pot, &h.point, &h.at, &h.quality, &h.bits); err != nil {
			return nil, fmt.Errorf("%s: %q: %w", path, lines.Text(), err)
		}
		h.true, h.at = time.UnixMicro(us), h.at/1000
		out = append(out, h)
	}
	return out, lines.Err()
}

// A record is one of an agent's journal.
type record struct {
	fact
	position uint64
	epoch    uint64
	quality  string
}

var journalID = regexp.MustCompile(`id ([0-9a-f]{32})`)

// readJournal asks the agent's own program what its journal holds; the agent may be running.
func readJournal(config string) (id string, out []record, err error) {
	about, err := run(filepath.Join(bin, "gritwatch-agent"), "journal", "--config", config)
	if err != nil {
		return "", nil, err
	}
	m := journalID.FindSubmatch(about)
	if m == nil {
		return "", nil, fmt.Errorf("no id in %q", about)
	}
	text, err := run(filepath.Join(bin, "gritwatch-agent"), "journal", "--config", config, "--records", "--csv")
	if err != nil {
		return "", nil, err
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		return "", nil, err
	}
	if want := "position time epoch pot point pa pressed quality"; strings.Join(rows[0], " ") != want {
		return "", nil, fmt.Errorf("columns %v", rows[0])
	}
	for _, row := range rows[1:] {
		var r record
		at, err := time.Parse(time.RFC3339Nano, row[1])
		if err != nil {
			return "", nil, err
		}
		r.at, r.pot, r.point, r.quality = at.UnixMilli(), row[3], row[4], row[7]
		if r.position, err = strconv.ParseUint(row[0], 10, 64); err != nil {
			return "", nil, err
		}
		if r.epoch, err = strconv.ParseUint(row[2], 10, 64); err != nil {
			return "", nil, err
		}
		if r.quality != "no-reply" {
			v, err := strconv.ParseFloat(row[5], 32)
			if err != nil {
				return "", nil, err
			}
			r.bits = math.Float32bits(float32(v))
		}
		out = append(out, r)
	}
	return string(m[1]), out, nil
}

// ask asks the server for JSON.
func (s *site) ask(path string, query url.Values, into any) (http.Header, error) {
	body, header, err := s.fetch(path, query)
	if err != nil {
		return nil, err
	}
	return header, json.Unmarshal(body, into)
}

func (s *site) fetch(path string, query url.Values) (body []byte, header http.Header, err error) {
	client := http.Client{Timeout: 30 * time.Second}
	res, err := client.Get("http://" + s.http + path + "?" + query.Encode())
	if err != nil {
		return nil, nil, err
	}
	defer res.Body.Close()
	if body, err = io.ReadAll(res.Body); err != nil {
		return nil, nil, err
	}
	if res.StatusCode != http.StatusOK {
		return nil, nil, fmt.Errorf("%s: %s: %s", path, res.Status, body)
	}
	return body, res.Header, nil
}

// A group is the readings of a point within a second of the agent's time that are not good: the export has none of them,
// and the history counts them.
type group struct {
	pot, point, quality string
	second              int64 // since 1970
}

// A stored is what the history gives back.
type stored struct {
	facts  map[fact]int
	epochs map[fact]uint64 // of one of each
	counts map[group]int   // of readings that are not good
}

// readHistory gets all that is stored of the pots from one time to another by the agents' clocks.
func (s *site) readHistory(pots []string, from, to time.Time) (out stored, err error) {
	out = stored{map[fact]int{}, map[fact]uint64{}, map[group]int{}}
	from, to = from.Truncate(time.Second), to.Truncate(time.Second)
	span := url.Values{"from": {from.UTC().Format(time.RFC3339)}, "to": {to.UTC().Format(time.RFC3339)}}
	for _, pot := range pots {
		epochs := map[uint64]bool{}
		for at := from; at.Before(to); at = at.Add(time.Hour) {
			var h live.History
			query := url.Values{"step": {"1s"}, "from": {at.UTC().Format(time.RFC3339)}, "to": {at.Add(time.Hour).UTC().Format(time.RFC3339)}}
			if _, err := s.ask("/api/v1/pots/"+pot+"/history", query, &h); err != nil {
				return out, err
			}
			for _, e := range h.Epochs {
				if e.ShiftS != nil {
					return out, fmt.Errorf("readings of %s in epoch %d are moved by %g s: no clock is off so far", pot, e.Epoch, *e.ShiftS)
				}
				epochs[e.Epoch] = true
			}
			for _, t := range h.Traces {
				for i, n := range t.NoReply {
					out.counts[group{pot, t.Point, "no-reply", at.Unix() + int64(i)}] += n
				}
				if t.OutOfRange != nil {
					for i, n := range t.OutOfRange.N {
						out.counts[group{pot, t.Point, "out-of-range", at.Unix() + int64(i)}] += n
					}
				}
			}
		}
		for epoch := range epochs {
			span.Set("epoch", strconv.FormatUint(epoch, 10))
			body, header, err := s.fetch("/api/v1/pots/"+pot+"/export.csv", span)
			if err != nil {
				return out, err
			}
			rows, err := csv.NewReader(bytes.NewReader(body)).ReadAll()
			if err != nil {
				return out, err
			}
			good := 0
			for _, row := range rows[1:] {
				at, err := time.Parse(time.RFC3339Nano, row[0])
				if err != nil {
					return out, err
				}
				for i, text := range row {
					if i == 0 || text == "" {
						continue
					}
					v, err := strconv.ParseFloat(text, 64)
					if err != nil {
						return out, err
					}
					f := fact{pot, rows[0][i], at.UnixMilli(), math.Float32bits(float32(v * psi))}
					out.facts[f]++
					out.epochs[f] = epoch
					good++
				}
			}
			for part := range strings.SplitSeq(header.Get("Gritwatch-Readings"), ", ") {
				quality, text, _ := strings.Cut(part, "=")
				n, err := strconv.Atoi(text)
				if err != nil {
					return out, fmt.Errorf("%q: %w", header.Get("Gritwatch-Readings"), err)
				}
				if quality == "good" && n != good {
					return out, fmt.Errorf("%s, epoch %d: %d good readings are told and %d given", pot, epoch, n, good)
				}
			}
		}
	}
	return out, nil
}

// list gets all pages of a list of records.
func list[T any](s *site, path string, items func(*T) (n int, next string)) error {
	query := url.Values{"limit": {"500"}, "order": {"oldest"}}
	for {
		var page T
		if _, err := s.ask(path, query, &page); err != nil {
			return err
		}
		_, next := items(&page)
		if next == "" {
			return nil
		}
		query.Set("after", next)
	}
}

// whole are the presses that what is stored shows from before the handle was pressed until the vessel has been at rest for three
// seconds, without two seconds between two readings of handle or vessel: the cycles that a reader of the history would count.
func (h stored) whole() (n int) {
	type reading struct {
		fact
		epoch uint64
		value float64
	}
	byPot := map[string][]reading{}
	for f := range h.facts {
		if f.point == "vessel" || f.point == "control" {
			byPot[f.pot] = append(byPot[f.pot], reading{f, h.epochs[f], float64(math.Float32frombits(f.bits))})
		}
	}
	const hole, rest, down = 2000, 3200, 7000 // ms, ms, Pa
	for _, all := range byPot {
		slices.SortFunc(all, func(a, b reading) int { return cmp.Or(cmp.Compare(a.epoch, b.epoch), cmp.Compare(a.at, b.at)) })
		var epoch uint64
		last := map[string]int64{}
		seen, pressed, loose, since := false, false, false, int64(0)
		for _, r := range all {
			if r.epoch != epoch || last["vessel"] != 0 && r.at-last["vessel"] > hole || last["control"] != 0 && r.at-last["control"] > hole {
				epoch, seen, pressed, loose = r.epoch, false, false, false
				clear(last)
			}
			last[r.point] = r.at
			switch {
			case r.point == "control" && r.value > 140e3:
				pressed, loose = seen, false
			case r.point == "control" && r.value < 70e3:
				if pressed {
					loose, since = true, 0
				}
				seen, pressed = true, false
			case r.point == "vessel" && loose && r.value > down:
				since = 0
			case r.point == "vessel" && loose && since == 0:
				since = r.at
			case r.point == "vessel" && loose && r.at-since > rest:
				n++
				loose = false
			}
		}
	}
	return n
}

// missing are the good records of journals that the history does not give back, and how many of the others it lacks, by
// kind; more is how many others it has that no journal holds.
func (h stored) missing(journals map[string][]record) (good []record, others map[group]int, more int) {
	have := map[fact]int{}
	others = map[group]int{}
	for g, n := range h.counts {
		others[g] = -n
	}
	for _, all := range journals {
		for _, r := range all {
			if r.quality != "good" {
				others[group{r.pot, r.point, r.quality, r.at / 1000}]++
				continue
			}
			have[r.fact]++
			if have[r.fact] > h.facts[r.fact] {
				good = append(good, r)
			}
		}
	}
	for g, n := range others {
		if n <= 0 {
			more -= n
			delete(others, g)
		}
	}
	slices.SortFunc(good, func(a, b record) int { return int(int64(a.position) - int64(b.position)) })
	return good, others, more
}

// A fault is a stretch of true time in which an agent's journal could not be written, as the agent's log tells it.
type fault struct{ from, to time.Time }

var logTime = regexp.MustCompile(`^time=(\S+)`)

// faults reads an agent's log. bare are those in which it ran without a journal, because there was none at its start.
func (d *daemon) faults() (unwritten, bare []fault) {
	var open, naked *fault
	var at time.Time
	shut := func(f **fault, into *[]fault) {
		if *f != nil {
			(*f).to = at
			*into = append(*into, **f)
			*f = nil
		}
	}
	for line := range strings.Lines(d.said()) {
		text := strings.TrimPrefix(line, "--- start ")
		if m := logTime.FindStringSubmatch(line); m != nil {
			text = m[1]
		} else if _, text, _ = strings.Cut(text, " at "); text == line {
			continue
		}
		if t, err := time.Parse(time.RFC3339Nano, strings.TrimSpace(text)); err == nil {
			at = t
		}
		switch {
		case strings.HasPrefix(line, "--- start "):
			shut(&open, &unwritten)
			shut(&naked, &bare)
		case strings.Contains(line, "journal: the disk cannot be written") && open == nil:
			open = &fault{from: at}
		case strings.Contains(line, "journal: the disk can be written again"):
			shut(&open, &unwritten)
		case strings.Contains(line, "the journal's folder cannot be used"):
			naked = &fault{from: at}
		}
	}
	at = time.Now()
	shut(&open, &unwritten)
	shut(&naked, &bare)
	return unwritten, bare
}

// beside is what is stored of the point within ten milliseconds of a record that is not, for whoever looks into it.
func (h stored) beside(f fact) string {
	var out []string
	for x := range h.facts {
		if x.pot == f.pot && x.point == f.point && x.at > f.at-10 && x.at < f.at+10 {
			out = append(out, fmt.Sprintf("%v at %+d ms in epoch %d", math.Float32frombits(x.bits), x.at-f.at, h.epochs[x]))
		}
	}
	if len(out) == 0 {
		return "nothing"
	}
	return strings.Join(out, ", ")
}
