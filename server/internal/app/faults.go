package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
)

// faultsFile stands in the data directory: the pots whose vessel gauge was proven outside its declared error. Such a
// finding outlives a restart (R1); it ends when the zero of the gauge, or the commissioned vent, is recorded anew.
const faultsFile = "faults.json"

// A fault is one finding.
type fault struct {
	Pot      string `json:"pot"`
	Since    string `json:"since"`    // RFC 3339
	Recorded string `json:"recorded"` // what was recorded of the gauge then
}

// faults are the findings that are remembered.
type faults struct {
	path  string
	found map[string]fault
	pots  map[string]potfile.Pot
	queue chan string // one place a pot: each is told of once
	log   *slog.Logger
}

// openFaults reads what was remembered in dir, which is made if need be.
func openFaults(dir string, pots []potfile.Pot, log *slog.Logger) (*faults, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("data directory: %w; set data: to a directory this user may write", err)
	}
	f := &faults{path: filepath.Join(dir, faultsFile), found: map[string]fault{}, pots: map[string]potfile.Pot{},
		queue: make(chan string, len(pots)), log: log}
	for _, p := range pots {
		f.pots[p.Name] = p
	}
	text, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil
	}
	var list []fault
	if err == nil {
		err = json.Unmarshal(text, &list)
	}
	if err != nil {
		return nil, fmt.Errorf("%s, the memory of faulty gauges, cannot be read: %w; mend it, or remove it once every vessel gauge was checked", f.path, err)
	}
	for _, x := range list {
		f.found[x.Pot] = x
	}
	return f, nil
}

// recorded is what a named person recorded of the vessel's gauge and vent.
func recorded(p potfile.Pot) string {
	text, err := json.Marshal(struct {
		Zero, Vent any
	}{p.Gauges[points.Vessel].Zero, p.Commissioned})
	if err != nil {
		panic("app: a recorded zero does not encode: " + err.Error())
	}
	return string(text)
}

// faulty tells whether a pot's gauge was proven faulty and nothing was recorded since.
func (f *faults) faulty(name string) bool {
	x, ok := f.found[name]
	return ok && x.Recorded == recorded(f.pots[name])
}

// note takes a finding; it does not block. Each pot's is noted once.
func (f *faults) note(name string) {
	select {
	case f.queue <- name:
	default:
	}
}

// Run writes findings to the file until ctx ends; it returns nil. A finding that cannot be written still counts until
// the server stops.
func (f *faults) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case name := <-f.queue:
			f.found[name] = fault{name, time.Now().UTC().Format(time.RFC3339), recorded(f.pots[name])}
			if err := f.write(); err != nil {
				f.log.LogAttrs(ctx, slog.LevelError, "a faulty gauge cannot be remembered beyond a restart",
					slog.String("pot", name), slog.String("reason", err.Error()))
			}
		}
	}
}

// write replaces the file as a whole, so that a power cut leaves the old one or the new one.
func (f *faults) write() error {
	list := make([]fault, 0, len(f.found))
	for _, x := range f.found {
		list = append(list, x)
	}
	text, err := json.MarshalIndent(list, "", " ")
	if err != nil {
		return err
	}
	tmp, err := os.CreateTemp(filepath.Dir(f.path), faultsFile+".*")
	if err != nil {
		return err
	}
	_, err = tmp.Write(append(text, '\n'))
	err = errors.Join(err, tmp.Sync(), tmp.Close())
	if err == nil {
		err = os.Rename(tmp.Name(), f.path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(tmp.Name()))
	}
	return nil
}
