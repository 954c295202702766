package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// ErrHeld says that another journal has the folder, of this process or of another.
var ErrHeld = errors.New("in use by another running journal")

// A Folder is what a journal needs of the directory it has for itself. Names have no separators. What is created or
// removed need not outlast a cut of the power before Sync; nor what is written to a file before the file's own.
type Folder interface {
	Lock() (io.Closer, error)         // ErrHeld, where another has it; until closed
	List() ([]Entry, error)           // the files, in any order
	Create(name string) (File, error) // empty, for writing and reading
	Open(name string) (File, error)   // fs.ErrNotExist where there is none
	Remove(name string) error         // fs.ErrNotExist where there is none
	Sync() error                      // the names
}

// An Entry is one file of a folder.
type Entry struct {
	Name string
	Size int64
}

// A File is what a journal needs of a file.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Truncate(size int64) error
	Sync() error
}

// Dir is the folder of that path, which is made where there is none.
func Dir(path string) Folder { return dir(path) }

type dir string

// Lock locks the directory itself, so that no file of its own is needed. The kernel gives the lock back when the
// process ends, however that happens.
func (d dir) Lock() (io.Closer, error) {
	if err := os.MkdirAll(string(d), 0o755); err != nil {
		return nil, fmt.Errorf("%w; name another folder, or make this one writable", err)
	}
	f, err := os.Open(string(d))
	if err != nil {
		return nil, fmt.Errorf("%w; name another folder, or make this one readable", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	switch {
	case errors.Is(err, syscall.EWOULDBLOCK):
		err = fmt.Errorf("journal %s is %w; end that one, or give each agent a folder of its own", d, ErrHeld)
	case err != nil:
		err = fmt.Errorf("journal %s cannot be locked: %w; name a folder on a local disk", d, err)
	default:
		return f, nil
	}
	return nil, errors.Join(err, f.Close())
}

func (d dir) List() ([]Entry, error) {
	found, err := os.ReadDir(string(d))
	if err != nil {
		return nil, err
	}
	var out []Entry
	for _, f := range found {
		if !f.Type().IsRegular() {
			continue
		}
		i, err := f.Info()
		if err != nil {
			return nil, err
		}
		out = append(out, Entry{f.Name(), i.Size()})
	}
	return out, nil
}

func (d dir) Create(name string) (File, error) {
	return file(os.OpenFile(filepath.Join(string(d), name), os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o644))
}

// Open is for reading where the file system is read-only.
func (d dir) Open(name string) (File, error) {
	path := filepath.Join(string(d), name)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, syscall.EROFS) || errors.Is(err, os.ErrPermission) {
		f, err = os.Open(path)
	}
	return file(f, err)
}

// file keeps a nil file from becoming an interface that is not nil.
func file(f *os.File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return f, nil
}

func (d dir) Remove(name string) error { return os.Remove(filepath.Join(string(d), name)) }

func (d dir) Sync() error {
	f, err := os.Open(string(d))
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
