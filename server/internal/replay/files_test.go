package replay_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"gritwatch/server/internal/replay"
)

func write(t *testing.T, path string, text []byte) string {
	t.Helper()
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func packed(t *testing.T, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := io.WriteString(z, text); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	text := strings.Repeat("time,vessel\n", 1000)
	zipped := packed(t, text)
	for name, c := range map[string]struct {
		file    []byte
		want    string
		problem string // a part of it
	}{
		"plain.csv":     {[]byte(text), text, ""},
		"packed.csv.gz": {zipped, text, ""},
		"two.csv.gz":    {append(bytes.Clone(zipped), zipped...), text + text, ""},
		"false.csv.gz":  {[]byte(text), "", "what should be compressed is not"},
		"empty.csv.gz":  {nil, "", "EOF"},
		"cut.csv.gz":    {zipped[:len(zipped)-6], "", "the compressed file is cut off or damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			in, err := replay.Open(t.Context(), write(t, filepath.Join(dir, name), c.file), nil)
			var got []byte
			if err == nil {
				got, err = io.ReadAll(in)
				if in.Size != int64(len(c.file)) || in.Taken() != in.Size && c.problem == "" {
					t.Errorf("size %d, taken %d", in.Size, in.Taken())
				}
				if cerr := in.Close(); cerr != nil {
					t.Error(cerr)
				}
			}
			if c.problem == "" && (err != nil || string(got) != c.want) || c.problem != "" && (err == nil || !strings.Contains(err.Error(), c.problem)) {
				t.Errorf("%v, %d bytes; want %s", err, len(got), c.problem)
			}
		})
	}
	if _, err := replay.Open(t.Context(), dir, nil); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := replay.Open(t.Context(), filepath.Join(dir, "absent"), nil); err == nil {
		t.Error("an absent file opens")
	}
}

// TestPipe: standard input is read to its end, is not closed, and a silent one does not hold up the end of the context.
func TestPipe(t *testing.T) {
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	defer to.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	in, err := replay.Open(ctx, "-", from)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(to, "time,vessel\n"); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 100)
	if n, err := in.Read(buf); err != nil || string(buf[:n]) != "time,vessel\n" || in.Size != 0 || in.Taken() != 12 {
		t.Errorf("%q, %v; size %d, taken %d", buf[:n], err, in.Size, in.Taken())
	}
	done := make(chan error, 1)
	go func() {
		_, err := in.Read(buf)
		done <- err
	}()
	cancel()
	if err := <-done; err == nil || ctx.Err() == nil {
		t.Errorf("read of a silent pipe: %v", err)
	}
	if err := in.Close(); err != nil {
		t.Error(err)
	}
	if _, err := from.Stat(); err != nil {
		t.Errorf("standard input was closed: %v", err)
	}
}

// names are the files of a folder.
func names(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return strings.Join(out, " ")
}

func TestOutputComesWhole(t *testing.T) {
	dir := t.TempDir()
	old := write(t, filepath.Join(dir, "old"), []byte("old"))
	link := filepath.Join(dir, "link")
	if err := os.Symlink(old, link); err != nil {
		t.Fatal(err)
	}
	content := func(path string) string {
		text, err := os.ReadFile(path)
		if err != nil {
			return err.Error()
		}
		return string(text)
	}
	for _, path := range []string{old, link} {
		for _, commit := range []bool{false, true} {
			if err := os.WriteFile(old, []byte("old"), 0o600); err != nil {
				t.Fatal(err)
			}
			out, err := replay.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := io.WriteString(out, "new"); err != nil {
				t.Fatal(err)
			}
			if content(old) != "old" {
				t.Errorf("%s is touched before it is whole", path)
			}
			end, want := out.Discard, "old"
			if commit {
				end, want = out.Commit, "new"
			}
			if err := end(); err != nil || content(path) != want || content(old) != want || names(t, dir) != "link old" {
				t.Errorf("commit %v: %v, %q; files %s", commit, err, content(path), names(t, dir))
			}
		}
	}
	if _, err := replay.Create(link, "absent", old); err == nil || !strings.Contains(err.Error(), "is read by this replay") {
		t.Errorf("an input in the place of the output: %v", err)
	}
	if _, err := replay.Create(dir); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := replay.Create(filepath.Join(dir, "no", "such")); err == nil {
		t.Error("a file in no folder")
	}
	out, err := replay.Create(filepath.Join(dir, "gone"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "gone"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := out.Commit(); err == nil || names(t, dir) != "gone link old" {
		t.Errorf("a folder came in its place: %v; files %s", err, names(t, dir))
	}
}

// TestOutputInPlace: a device or a pipe is written to, not replaced.
func TestOutputInPlace(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	reader, err := os.OpenFile(pipe, os.O_RDWR, 0) // a reader that needs no writer
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	for _, commit := range []bool{false, true} {
		out, err := replay.Create(pipe)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(out, "line\n"); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 10)
		if n, err := reader.Read(buf); err != nil || string(buf[:n]) != "line\n" {
			t.Errorf("%q, %v", buf[:n], err)
		}
		end := out.Discard
		if commit {
			end = out.Commit
		}
		if err := end(); err != nil {
			t.Error(err)
		}
		if info, err := os.Stat(pipe); err != nil || info.Mode()&os.ModeNamedPipe == 0 {
			t.Errorf("the pipe is now %v, %v", info, err)
		}
	}
}

func TestBar(t *testing.T) {
	now := time.Unix(0, 0)
	var shown []string
	path := write(t, filepath.Join(t.TempDir(), "log"), bytes.Repeat([]byte("x"), 1000))
	in, err := replay.Open(t.Context(), path, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	bar := &replay.Bar{Show: func(s string) { shown = append(shown, s) }, Now: func() time.Time { return now }, In: in}
	for i, part := range []int{100, 150, 250, 500} {
		if _, err := io.CopyN(io.Discard, in, int64(part)); err != nil {
			t.Fatal(err)
		}
		bar.Rows(1000 + 1_000_000*i)
		now = now.Add(150 * time.Millisecond)
	}
	in.Size = 0
	now = now.Add(time.Second)
	bar.Rows(5_001_000)
	bar.Clear()
	want := []string{
		"[===============               ]  50 %  2 001 000 rows, 6 666 666 rows/s",
		"5 001 000 rows, 3 125 000 rows/s",
		"",
	}
	if strings.Join(shown, "\n") != strings.Join(want, "\n") {
		t.Errorf("shown:\n%s\nwant:\n%s", strings.Join(shown, "\n"), strings.Join(want, "\n"))
	}
}
