package journal

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
)

var errCut = errors.New("the power is cut")

// A disk is a folder in memory of which only what was synced outlasts a cut of the power. What was not is then lost,
// or kept in part, file by file and sector by sector, in any order.
type disk struct {
	mu    sync.Mutex
	rng   *rand.Rand
	names map[string]*inode // as they are
	safe  map[string]*inode // as they would be found after a cut
	held  bool

	ops   int
	cutAt int // the operation in which the power is cut; 0: none
	dead  bool
	fault func(op, name string) error // what goes wrong without a cut; a write is done in part then, and a sync forgets

	meanwhile func() // called in every operation

	writes, syncs int
	bytes         int64
}

type inode struct {
	now, safe []byte
}

func newDisk(seed uint64) *disk {
	return &disk{rng: rand.New(rand.NewPCG(seed, 1)), names: map[string]*inode{}, safe: map[string]*inode{}}
}

// step counts an operation; last: the power is cut within it.
func (d *disk) step(op, name string) (last bool, err error) {
	if d.dead {
		return false, errCut
	}
	d.ops++
	if d.meanwhile != nil {
		d.meanwhile()
	}
	if d.ops == d.cutAt {
		d.dead = true
		return true, errCut
	}
	if d.fault != nil {
		return false, d.fault(op, name)
	}
	return false, nil
}

const sector = 512

// cut is the disk as it is found after the power was cut.
func (d *disk) cut() *disk {
	n := newDisk(d.rng.Uint64())
	for _, name := range slices.Sorted(maps.Keys(merged(d.names, d.safe))) {
		now, safe := d.names[name], d.safe[name]
		i := safe
		if now != safe && d.rng.IntN(2) == 0 {
			i = now
		}
		if i == nil {
			continue
		}
		b := d.remains(i)
		n.names[name] = &inode{now: b, safe: slices.Clone(b)}
		n.safe[name] = n.names[name]
	}
	return n
}

// killed is the disk as it is found after the process was killed: what was written is there.
func (d *disk) killed() *disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := newDisk(d.rng.Uint64())
	for name, i := range d.names {
		n.names[name] = &inode{now: slices.Clone(i.now), safe: slices.Clone(i.safe)}
	}
	n.safe = maps.Clone(n.names)
	return n
}

func merged(a, b map[string]*inode) map[string]*inode {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

// remains is what is left of a file.
func (d *disk) remains(i *inode) []byte {
	out := slices.Clone(i.safe)
	grow := func(n int) {
		if n > len(out) {
			out = append(out, make([]byte, n-len(out))...)
		}
	}
	switch d.rng.IntN(4) {
	case 0: // nothing of it
	case 1:
		return slices.Clone(i.now)
	case 2: // up to some byte
		n := d.rng.IntN(len(i.now) + 1)
		grow(n)
		copy(out, i.now[:n])
	default: // some sectors
		for at := 0; at < len(i.now); at += sector {
			if d.rng.IntN(2) == 0 {
				n := min(at+sector, len(i.now))
				grow(n)
				copy(out[at:n], i.now[at:n])
			}
		}
		if d.rng.IntN(2) == 0 { // its length is known, its bytes are not
			grow(len(i.now))
		}
	}
	return out
}

func (d *disk) Lock() (io.Closer, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.held {
		return nil, ErrHeld
	}
	d.held = true
	return closer(func() error { d.mu.Lock(); defer d.mu.Unlock(); d.held = false; return nil }), nil
}

type closer func() error

func (c closer) Close() error { return c() }

func (d *disk) List() ([]Entry, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []Entry
	for name, i := range d.names {
		out = append(out, Entry{name, int64(len(i.now))})
	}
	return out, nil
}

func (d *disk) Create(name string) (File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	last, err := d.step("create", name)
	if err != nil && (!last || d.rng.IntN(2) == 0) {
		return nil, err
	}
	i := &inode{}
	d.names[name] = i
	return &handle{d, i, name}, err
}

func (d *disk) Open(name string) (File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if i := d.names[name]; i != nil && !d.dead {
		return &handle{d, i, name}, nil
	}
	return nil, fs.ErrNotExist
}

func (d *disk) Remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	last, err := d.step("remove", name)
	if err != nil && (!last || d.rng.IntN(2) == 0) {
		return err
	}
	if d.names[name] == nil {
		return fs.ErrNotExist
	}
	delete(d.names, name)
	return err
}

func (d *disk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	last, err := d.step("sync folder", "")
	if err != nil && (!last || d.rng.IntN(2) == 0) {
		return err
	}
	d.syncs++
	d.safe = maps.Clone(d.names)
	return err
}

type handle struct {
	d    *disk
	i    *inode
	name string
}

func (h *handle) Close() error { return nil }

func (h *handle) ReadAt(b []byte, off int64) (int, error) {
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	if h.d.fault != nil {
		if err := h.d.fault("read", h.name); err != nil {
			return 0, err
		}
	}
	if off >= int64(len(h.i.now)) {
		return 0, io.EOF
	}
	n := copy(b, h.i.now[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (h *handle) WriteAt(b []byte, off int64) (int, error) {
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	_, err := h.d.step("write", h.name)
	n := len(b)
	if err != nil {
		n = h.d.rng.IntN(len(b) + 1)
	}
	if h.d.dead && err != nil && h.d.ops != h.d.cutAt {
		return 0, err
	}
	if more := int(off) + n - len(h.i.now); more > 0 {
		h.i.now = append(h.i.now, make([]byte, more)...)
	}
	copy(h.i.now[off:], b[:n])
	h.d.writes++
	h.d.bytes += int64(n)
	return n, err
}

func (h *handle) Truncate(size int64) error {
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	if _, err := h.d.step("truncate", h.name); err != nil {
		return err
	}
	h.i.now = h.i.now[:size]
	return nil
}

func (h *handle) Sync() error {
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	last, err := h.d.step("sync", h.name)
	if err != nil && (!last || h.d.rng.IntN(2) == 0) {
		if !h.d.dead { // the kernel takes what it could not write for written
			h.i.now = h.d.remains(h.i)
			h.i.safe = slices.Clone(h.i.now)
		}
		return err
	}
	h.d.syncs++
	h.i.safe = slices.Clone(h.i.now)
	return err
}
