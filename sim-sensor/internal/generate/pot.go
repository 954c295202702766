package generate

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/potyaml"
	"gritwatch/sim-sensor/internal/scenario"
)

const timeLayout = "2006-01-02T15:04:05.000Z"

// A pot is the files of one pot while they are written.
type pot struct {
	name    string
	folder  string // below the scenario's; "" where it has one pot
	index   int    // in the world
	columns []column
	samples file
	truth   file
	text    []byte // of a row
	rows    int
	missing int
	yaml    int64
}

// A column is a point of a pot.
type column struct {
	point  points.Point
	isGate bool    // an electric handle: 0 or 1
	pa     float64 // of one unit
	digits int     // behind the point
	line   *fault.Player
	unit   uint8 // on the line
}

// open makes the files of every pot. What is returned must be closed, with an error too.
func open(s *scenario.Scenario, w *scenario.World, dir string, o Options) (pots []*pot, err error) {
	for i := range s.Pots {
		spec := &s.Pots[i]
		p := &pot{name: spec.Name, index: i, columns: columns(s, w, spec)}
		pots = append(pots, p)
		if len(s.Pots) > 1 {
			p.folder = spec.Name
			if err := os.Mkdir(filepath.Join(dir, p.folder), 0o755); err != nil {
				return pots, fmt.Errorf("make a folder of %s: %w", spec.Name, err)
			}
		}
		var text []byte
		if o.Comment != "" {
			text = append(text, "# "+o.Comment+"\n"...)
		}
		text = potyaml.Append(text, spec.Pot, "", "")
		p.yaml = int64(len(text))
		if err := os.WriteFile(filepath.Join(dir, p.folder, "pot.yaml"), text, 0o644); err != nil {
			return pots, fmt.Errorf("write pot.yaml of %s: %w", spec.Name, err)
		}
		if err := errors.Join(p.samples.create(filepath.Join(dir, p.folder, "samples.csv")), p.truth.create(filepath.Join(dir, p.folder, "truth.jsonl"))); err != nil {
			return pots, fmt.Errorf("files of %s: %w", spec.Name, err)
		}
		head := []byte("time")
		for _, c := range p.columns {
			head = append(append(head, ','), c.point.String()...)
		}
		if _, err := p.samples.Write(append(head, '\n')); err != nil {
			return pots, fmt.Errorf("samples of %s: %w", spec.Name, err)
		}
	}
	return pots, nil
}

// columns are the points of a pot in the order of the air, each with the line that its reading crosses.
func columns(s *scenario.Scenario, w *scenario.World, spec *scenario.Pot) []column {
	pa := spec.Units.Pa()
	digits := 4 // 0.7 Pa in psi, 0.1 Pa in kPa
	if pa == si.Bar {
		digits = 6
	}
	var out []column
	for _, pt := range points.All() {
		if !spec.Points.Has(pt) {
			continue
		}
		c := column{point: pt, pa: pa, digits: digits, isGate: spec.Control.Electric && pt == points.Control}
		here := scenario.Place{Pot: spec.Name, Point: pt}
		for i := range s.Lines {
			player := w.Lines()[i].Options.Faults
			for _, u := range s.Lines[i].Units {
				for _, ch := range u.Channels {
					if ch.Place == here {
						c.line, c.unit = player, u.ID
					}
				}
			}
			for j, t := range s.Lines[i].Texts {
				if t.Place == here {
					c.line, c.unit = player, uint8(j+1)
				}
			}
		}
		out = append(out, c)
	}
	return out
}

// row writes one row of samples.
func (p *pot) row(w *scenario.World, at time.Time) error {
	b := at.UTC().AppendFormat(p.text[:0], timeLayout)
	for i := range p.columns {
		c := &p.columns[i]
		b = append(b, ',')
		v := w.Reading(p.index, c.point)
		switch {
		case c.lost(w.At()) || math.IsNaN(v) || math.IsInf(v, 0):
			p.missing++
		case c.isGate:
			b = strconv.AppendInt(b, int64(v), 10)
		default:
			b = strconv.AppendFloat(b, v/c.pa, 'f', c.digits, 64)
		}
	}
	p.text = append(b, '\n')
	p.rows++
	if _, err := p.samples.Write(p.text); err != nil {
		return fmt.Errorf("samples of %s: %w", p.name, err)
	}
	return nil
}

// lost tells whether a fault of the line meets the reading. A reader takes no reply that is spoilt, late or has
// something about it; echoes it takes out.
func (c *column) lost(at time.Duration) bool {
	if c.line == nil {
		return false
	}
	if c.line.Holds(fault.Unplugged, at) || c.line.Holds(fault.Babble, at) {
		return true
	}
	v := c.line.Request(at, c.unit)
	return len(v.Played) > 0
}

// tell writes one line of truth.
func (p *pot) tell(t scenario.Truth, at time.Time) error {
	t.T = at.UTC().Format(timeLayout)
	text, err := json.Marshal(t)
	if err == nil {
		_, err = p.truth.Write(append(text, '\n'))
	}
	if err != nil {
		return fmt.Errorf("truth of %s: %w", p.name, err)
	}
	return nil
}

func (p *pot) close() error {
	if err := errors.Join(p.samples.close(), p.truth.close()); err != nil {
		return fmt.Errorf("files of %s: %w", p.name, err)
	}
	return nil
}

func (p *pot) result(dir string) Result {
	return Result{Pot: p.name, Dir: filepath.Join(dir, p.folder), Rows: p.rows, Missing: p.missing, Bytes: p.samples.size + p.truth.size + p.yaml}
}

// A file is written through a buffer, and counted.
type file struct {
	f    *os.File
	w    *bufio.Writer
	size int64
}

func (f *file) create(path string) error {
	var err error
	if f.f, err = os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644); err != nil {
		return err
	}
	f.w = bufio.NewWriterSize(f.f, 1<<16)
	return nil
}

// Write is buffered; the error of a full disk comes with a later one, or with close.
func (f *file) Write(b []byte) (int, error) {
	n, err := f.w.Write(b)
	f.size += int64(n)
	return n, err
}

// close writes what is left and puts it on the disk, so that a folder that has its name has its bytes too.
func (f *file) close() error {
	if f.f == nil {
		return nil
	}
	err := f.w.Flush()
	if err == nil {
		err = f.f.Sync()
	}
	return errors.Join(err, f.f.Close())
}
