package guard

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
)

// A latch is the file sensor-fault.json: for each pot with a faulty vessel gauge, the recorded zero under which it
// was found. A new zero, by a named person, makes the finding void.
type latch struct {
	path   string // "": not kept
	faults map[string]string
	dirty  bool // not yet on disk
	failed bool // the last write did not succeed
	tried  si.Instant
}

type latchFile struct {
	Faults map[string]string `json:"faults"` // pot: zero
}

// zeroKey names a recorded zero.
func zeroKey(z *vent.Zero) string {
	if z == nil {
		return "none"
	}
	return strconv.FormatFloat(float64(z.Offset), 'g', 9, 64) + " Pa, " + z.By + ", " + z.At
}

func openLatch(dir string) (*latch, error) {
	l := &latch{faults: map[string]string{}}
	if dir == "" {
		return l, nil
	}
	l.path = filepath.Join(dir, "sensor-fault.json")
	text, err := os.ReadFile(l.path)
	if errors.Is(err, fs.ErrNotExist) {
		return l, nil
	}
	var f latchFile
	if err == nil {
		err = json.Unmarshal(text, &f)
	}
	if err == nil && f.Faults == nil {
		err = errors.New(`it has no "faults"`)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w; it keeps which vessel gauges were found faulty: before you delete it, see that each vessel gauge reads zero with its vessel open", l.path, err)
	}
	l.faults = f.Faults
	return l, nil
}

func (l *latch) holds(pot, key string) bool {
	k, ok := l.faults[pot]
	return ok && k == key
}

func (l *latch) add(pot, key string) {
	l.faults[pot] = key
	l.dirty = true
}

// retry is how soon a write that did not succeed is tried again.
const retry = time.Second

// write puts a new finding on disk, whole or not at all, and tries again every second until it is there; again tells
// that the last try failed too.
func (l *latch) write(now si.Instant) (again bool, err error) {
	if !l.dirty || l.path == "" || l.failed && now.Sub(l.tried).Abs() < retry {
		return false, nil
	}
	again, l.tried = l.failed, now
	err = l.replace()
	l.dirty, l.failed = err != nil, err != nil
	return again, err
}

func (l *latch) replace() error {
	text, err := json.MarshalIndent(latchFile{l.faults}, "", " ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(l.path), ".sensor-fault-*")
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), l.path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
