package replay

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// An Input is an opened log.
type Input struct {
	io.Reader
	Name string
	Size int64 // of the file, bytes; 0: not known

	file  *os.File
	owned bool
	taken int64
}

// Open opens a log: a file, unpacked where its name ends in .gz, or stdin for "-". Reading ends with ctx even where the
// log comes from a pipe that stays silent.
func Open(ctx context.Context, path string, stdin *os.File) (*Input, error) {
	in := &Input{Name: path, file: stdin}
	if path == "-" {
		in.Name = "standard input"
	} else {
		file, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		in.file, in.owned = file, true
	}
	info, err := in.file.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder; name a file", path)
	}
	if err != nil {
		return nil, errors.Join(err, in.Close())
	}
	var source io.Reader = in.file
	if info.Mode().IsRegular() {
		in.Size = info.Size()
	} else {
		source = patient(ctx, in.file)
	}
	in.Reader = reader(func(b []byte) (int, error) {
		n, err := source.Read(b)
		in.taken += int64(n)
		return n, err
	})
	if strings.HasSuffix(path, ".gz") {
		in.Reader, err = unpack(in.Reader)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w", path, err), in.Close())
		}
	}
	return in, nil
}

// Taken is how many bytes were read of the file.
func (in *Input) Taken() int64 { return in.taken }

// Close closes the file; standard input stays open.
func (in *Input) Close() error {
	if !in.owned {
		return nil
	}
	return in.file.Close()
}

// reader is a Read method.
type reader func(b []byte) (int, error)

func (r reader) Read(b []byte) (int, error) { return r(b) }

// unpack reads gzip.
func unpack(in io.Reader) (io.Reader, error) {
	z, err := gzip.NewReader(in)
	if err != nil {
		return nil, explain(err)
	}
	return reader(func(b []byte) (int, error) {
		n, err := z.Read(b)
		return n, explain(err)
	}), nil
}

// explain says what to do about a file that cannot be unpacked.
func explain(err error) error {
	switch {
	case errors.Is(err, gzip.ErrHeader):
		return fmt.Errorf("what should be compressed is not (%w); look at the file's name", err)
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, gzip.ErrChecksum):
		return fmt.Errorf("the compressed file is cut off or damaged (%w); what can be unpacked of it can be replayed as plain CSV", err)
	}
	return err
}

// look is how long a silent pipe is waited for between looks at the context, ms.
const look = 100

// patient reads from a file that may be silent, and ends with ctx.
func patient(ctx context.Context, f *os.File) io.Reader {
	fd := []unix.PollFd{{Fd: int32(f.Fd()), Events: unix.POLLIN}}
	return reader(func(b []byte) (int, error) {
		for ctx.Err() == nil {
			n, err := unix.Poll(fd, look)
			switch {
			case err != nil && !errors.Is(err, unix.EINTR):
				return 0, fmt.Errorf("wait for input: %w", err)
			case n > 0:
				return f.Read(b)
			}
		}
		return 0, context.Cause(ctx)
	})
}

// An Output is a file that comes into being whole: until Commit nothing stands under its name but what stood there.
type Output struct {
	file       *os.File
	path, part string // part "": written in place
}

// Create begins a file. What is no regular file (a terminal, a pipe, a device) is written in place. A file that one of
// the inputs is is refused.
func Create(path string, inputs ...string) (*Output, error) {
	info, err := os.Stat(path)
	if err == nil {
		for _, in := range inputs {
			if other, err := os.Stat(in); err == nil && os.SameFile(info, other) {
				return nil, fmt.Errorf("%s is read by this replay; name another file", path)
			}
		}
		if info.IsDir() {
			return nil, fmt.Errorf("%s is a folder; name a file", path)
		}
		if !info.Mode().IsRegular() {
			file, err := os.OpenFile(path, os.O_WRONLY, 0)
			if err != nil {
				return nil, err
			}
			return &Output{file: file, path: path}, nil
		}
		if path, err = filepath.EvalSymlinks(path); err != nil { // the file is replaced, not the link
			return nil, err
		}
	}
	dir, name := filepath.Split(path)
	part := filepath.Join(dir, fmt.Sprintf(".%s.%d.part", name, os.Getpid()))
	file, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return nil, err
	}
	return &Output{file: file, path: path, part: part}, nil
}

// Write appends to the file.
func (o *Output) Write(b []byte) (int, error) { return o.file.Write(b) }

// Commit puts the file in its place.
func (o *Output) Commit() error {
	if o.part == "" {
		return o.file.Close()
	}
	err := errors.Join(o.file.Sync(), o.file.Close())
	if err == nil {
		err = os.Rename(o.part, o.path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(o.part))
	}
	return nil
}

// Discard leaves everything as it was before Create.
func (o *Output) Discard() error {
	err := o.file.Close()
	if o.part != "" {
		err = errors.Join(err, os.Remove(o.part))
	}
	return err
}
