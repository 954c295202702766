package config

import (
	"fmt"
	"path/filepath"
	"regexp"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/brokerlink"
	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/sparkplug"
)

// Bounds of a period. One over 2 s could never give VENTED; the other is common practice, no source.
const MinPeriod, MaxPeriod = 10 * time.Millisecond, 2 * time.Second

// Bounds of the other times; common practice, no source.
const (
	MinTimeout, maxTimeout = 5 * time.Millisecond, 2 * time.Second
	minFlush, maxFlush     = 50 * time.Millisecond, time.Second // older than 1 s would be historical
	maxTurnaround          = time.Second
	minAge, maxAge         = time.Minute, 366 * 24 * time.Hour
	minSync, maxSync       = 100 * time.Millisecond, time.Minute
	minSize, maxSize       = 10e6, 1000e9 // bytes; the first holds what waits for the disk 16 times over
)

var namePattern = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// Load reads the file at path.
func Load(path string) (Config, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return Config{}, err
	}
	return read(doc)
}

// LoadWhole reads the file at path and those that its broker's keys name, and tells what is to be known of them.
func LoadWhole(path string, now time.Time) (Config, []brokerlink.Finding, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return Config{}, nil, err
	}
	c, err := read(doc)
	if err != nil {
		return Config{}, nil, err
	}
	found := c.Broker.Look(doc.Map().Map("broker"), now)
	return c, found, doc.Err()
}

// Parse reads the text of an agent.yaml; name stands in front of its errors, which are *yamlfile.Error.
func Parse(name string, text []byte) (Config, error) {
	doc, err := yamlfile.Parse(name, text)
	if err != nil {
		return Config{}, err
	}
	return read(doc)
}

func read(doc *yamlfile.Doc) (Config, error) {
	m := doc.Map()
	c := Config{Agent: readName(m, "agent"), Site: readName(m, "site")}
	c.Broker = brokerlink.Read(m.Map("broker"))
	c.Primary = readPrimary(m)
	c.Journal = readJournal(m)
	c.Flush = duration(m.Optional(), "flush", minFlush, maxFlush, DefaultFlush)
	c.Simulated = m.Optional().Bool("simulated")
	if m.Has("atmosphere") {
		c.Atmosphere = potfile.ReadAtmosphere(m.Map("atmosphere"))
	}
	pots, maps := potfile.ReadPots(m, c.Atmosphere)
	c.Pots = pots
	a := newAssignments(pots)
	c.Buses = readBuses(m, a)
	a.checkComplete(maps)
	if err := doc.Err(); err != nil {
		return Config{}, err
	}
	return c, nil
}

func readName(m yamlfile.Map, key string) string {
	return yamlfile.Scalar(m, key, "quay-1", func(s string) (string, error) {
		if !namePattern.MatchString(s) {
			return "", fmt.Errorf("%q is not a name; write 1 to 32 of a-z, 0-9 and -, for example quay-1", s)
		}
		return s, nil
	})
}

// readPrimary reads the id of the host that is waited for.
func readPrimary(m yamlfile.Map) string {
	if !m.Has("primary_host") {
		return ""
	}
	return yamlfile.Scalar(m, "primary_host", "gritwatch", func(s string) (string, error) {
		if err := sparkplug.CheckID(s); err != nil {
			return "", fmt.Errorf("%w; write the id of a Sparkplug host, for example gritwatch, or leave it out", err)
		}
		return s, nil
	})
}

// readJournal reads a folder's name alone, or a mapping with its bounds too.
func readJournal(m yamlfile.Map) Journal {
	j := Journal{Path: DefaultJournal, Size: DefaultSize, Age: DefaultAge, Sync: DefaultSync}
	if !m.Has("journal") {
		return j
	}
	v := m.Get("journal")
	if !v.IsMap() {
		j.Path = v.Text()
		return j
	}
	jm := v.Map()
	j.Path = yamlfile.Scalar(jm, "path", "./journal", func(s string) (string, error) { return s, nil })
	if jm.Has("size") {
		j.Size = jm.Bytes("size", minSize, maxSize)
	}
	j.Age = duration(jm.Optional(), "age", minAge, maxAge, DefaultAge)
	j.Sync = duration(jm.Optional(), "sync", minSync, maxSync, DefaultSync)
	return j
}

// duration is a length of time between two bounds; def where the key is absent, which only an optional one may be.
func duration(m yamlfile.Map, key string, lo, hi, def time.Duration) time.Duration {
	if !m.Has(key) {
		if def == 0 {
			return m.Duration(key)
		}
		return def
	}
	d := m.Duration(key)
	if d != 0 && (d < lo || d > hi) {
		m.Fail(key, fmt.Sprintf("%v is not from %v to %v", d, lo, hi), "")
	}
	return d
}

func readBuses(m yamlfile.Map, a *assignments) []Bus {
	var out []Bus
	ports := make(map[string]bool)
	list := m.Maps("buses")
	if m.Has("buses") && len(list) == 0 {
		m.Fail("buses", "has no line", "add one: port, mode, period, units")
	}
	for _, bm := range list {
		b := Bus{Port: bm.String("port")}
		if clean := filepath.Clean(b.Port); b.Port != "" {
			if ports[clean] {
				bm.Fail("port", fmt.Sprintf("%s is the port of another bus", b.Port), "put all units of one line under one bus")
			}
			ports[clean] = true
		}
		parseMode := serialport.ParseMode
		if bm.Has("text") {
			parseMode = serialport.ParseTextMode
		}
		b.Mode = yamlfile.Scalar(bm, "mode", "19200 8E1", parseMode)
		b.Period = duration(bm, "period", MinPeriod, MaxPeriod, 0)
		b.Timeout = duration(bm.Optional(), "timeout", MinTimeout, maxTimeout, DefaultTimeout)
		b.Turnaround = duration(bm.Optional(), "turnaround", time.Microsecond, maxTurnaround, DefaultTurnaround)
		if bm.Has("text") {
			b.Text = readTexts(bm, b.Mode, a)
			out = append(out, b)
			continue
		}
		seen := make(map[uint8]bool)
		units := bm.Maps("units")
		if bm.Has("units") && len(units) == 0 {
			bm.Fail("units", "has no unit", "add one: unit and read")
		}
		for _, um := range units {
			u := Unit{Unit: uint8(um.Int("unit", modbus.MinUnit, modbus.MaxUnit))}
			if u.Unit != 0 && seen[u.Unit] {
				um.Fail("unit", fmt.Sprintf("%d stands on this bus a second time", u.Unit), "put all its points under one unit")
			}
			seen[u.Unit] = true
			if um.Has("read") || !um.Has("beacons") {
				u.Read = readUnit(um, a)
			}
			if um.Has("beacons") {
				u.Beacons = readBeacons(um, a, u.Read)
			}
			b.Units = append(b.Units, u)
		}
		out = append(out, b)
	}
	return out
}

func readUnit(um yamlfile.Map, a *assignments) []Read {
	var out []Read
	list := um.Maps("read")
	if um.Has("read") && len(list) == 0 {
		um.Fail("read", "has no point", "add one, for example {pot: alder, point: vessel, input: 304, …}")
	}
	for _, rm := range list {
		r, where := readRead(rm, a)
		if where != "" {
			for _, other := range out {
				if overlap(r, other) {
					rm.Fail(where, fmt.Sprintf("overlaps with %s of %s, which begins at %d", other.Point, other.Pot, other.Address),
						"one register belongs to one point; look at the addresses and types")
				}
			}
		}
		out = append(out, r)
	}
	return out
}

func overlap(a, b Read) bool {
	return a.Function == b.Function && int(a.Address) < int(b.Address)+b.Type.Size() && int(b.Address) < int(a.Address)+a.Type.Size()
}
